//! Logs: set-up, and errors printed with their whole chain.

use std::error::Error;

use tracing_subscriber::{EnvFilter, fmt};

/// How log lines look.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Deserialize, serde::Serialize)]
#[serde(rename_all = "snake_case")]
pub enum LogFormat {
    /// For people.
    Pretty,
    /// One JSON object a line.
    Json,
}

/// Starts logging to standard error; standard output belongs to answers.
///
/// # Errors
/// The filter is not readable, or logging was started before.
pub fn start(filter: &str, format: LogFormat) -> Result<(), Box<dyn Error + Send + Sync>> {
    let filter = EnvFilter::try_new(filter)?;
    let builder = fmt().with_env_filter(filter).with_writer(std::io::stderr);
    match format {
        LogFormat::Pretty => builder.with_target(false).try_init(),
        LogFormat::Json => builder.json().try_init(),
    }
}

/// An error with all its causes, `: ` between them.
#[must_use]
pub fn chain(error: &dyn Error) -> String {
    let mut text = error.to_string();
    let mut next = error.source();
    while let Some(cause) = next {
        let cause_text = cause.to_string();
        if !text.ends_with(&cause_text) {
            text.push_str(": ");
            text.push_str(&cause_text);
        }
        next = cause.source();
    }
    text
}
