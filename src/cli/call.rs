//! `call`: any method of the service from a shell, with JSON.

use std::io::Read as _;

use anyhow::Context as _;
use tonic::metadata::{Ascii, MetadataValue};
use tonic::{Request, Status};

use super::replay::client::{bearer, connect, request};
use super::{Context, Done, print};
use crate::edge::by_name::{AsBytes, Method};
use crate::edge::grpc;

/// Largest JSON text read from standard input, bytes.
const INPUT_MAX: u64 = 64 << 20;

const EXAMPLES: &str = "\
Examples:
  restvolt call --list                                 every method and its messages
  restvolt call ListShops
  restvolt call AdviceService/Ask '{\"facts\": {\"battery\": {\"nominal_volts\": 12}, \"rest_volts\": 11.9}}'
  restvolt call TelemetryService/Push - < batches.json
  restvolt call ReadSamples '{\"session_id\": \"ID\"}' | head -1

Field names are those of the protos; 64-bit numbers may be text, bytes are base64, times RFC 3339. A method
that takes a stream reads one message a line; each answer is one line.";

/// Call any method of a running service, with JSON.
///
/// The token comes from `RESTVOLT_TOKEN`. What the service refuses is told with its code and the fix, and
/// the exit code is 1.
#[derive(Debug, clap::Args)]
#[command(after_help = EXAMPLES)]
pub(super) struct Arguments {
    /// Service to call.
    #[arg(long, default_value = "http://127.0.0.1:7400")]
    server: String,
    /// List the methods and end.
    #[arg(long)]
    list: bool,
    /// Method: `TelemetryService/Push`, or only Push where one service has it.
    #[arg(required_unless_present = "list", value_parser = method)]
    method: Option<Method>,
    /// Request as JSON; - reads it from standard input.
    #[arg(value_name = "JSON", default_value = "{}")]
    request: String,
}

fn method(text: &str) -> Result<Method, String> {
    Method::find(text).map_err(|error| format!("{error}; `restvolt call --list` names all"))
}

/// The requests as bytes: one, or one a line where the method takes a stream.
fn requests(method: &Method, json: &str) -> anyhow::Result<Vec<Vec<u8>>> {
    let text = if json == "-" {
        let mut text = String::new();
        std::io::stdin()
            .lock()
            .take(INPUT_MAX)
            .read_to_string(&mut text)
            .context("standard input is no text")?;
        text
    } else {
        json.to_owned()
    };
    let read = |text: &str| {
        method
            .request(text)
            .map_err(|error| anyhow::anyhow!("the JSON is no {}: {error}", method.messages().0))
    };
    if method.streams().0 {
        let lines = text.lines().filter(|line| !line.trim().is_empty());
        return lines.map(read).collect();
    }
    Ok(vec![read(&text)?])
}

fn list() -> anyhow::Result<()> {
    for method in Method::all() {
        let (takes, gives) = method.messages();
        let (many, stream) = method.streams();
        let of = |stream: bool| if stream { "stream of " } else { "" };
        print(&format!(
            "{:38} {}{takes} -> {}{gives}",
            method.name(),
            of(many),
            of(stream)
        ))?;
    }
    Ok(())
}

pub(super) async fn run(context: &Context, arguments: Arguments) -> anyhow::Result<Done> {
    let Some(method) = arguments.method.filter(|_| !arguments.list) else {
        list()?;
        return Ok(Done::All);
    };
    let messages = requests(&method, &arguments.request)?;
    let token = own_token(context)?;
    let mut client = tonic::client::Grpc::new(connect(&arguments.server).await?)
        .max_decoding_message_size(4 * grpc::MESSAGE_MAX);
    client.ready().await?;
    let stream: Request<_> = request(tokio_stream::iter(messages), &token);
    let path = method.path().parse()?;
    let answered = client.streaming(stream, path, AsBytes).await;
    let mut answers = answered.map_err(|status| refused(&status))?.into_inner();
    while let Some(answer) = answers.message().await.map_err(|status| refused(&status))? {
        let json = method
            .answer(&answer)
            .map_err(|error| anyhow::anyhow!(error))?;
        print(&json.to_string())?;
    }
    Ok(Done::All)
}

/// The token of whoever calls a service, as its requests carry it.
pub(super) fn own_token(context: &Context) -> anyhow::Result<MetadataValue<Ascii>> {
    let token = context.surroundings.token().context(
        "no RESTVOLT_TOKEN is set: `restvolt token create NAME --scope ...` makes a token",
    )?;
    bearer(token)
}

/// What a service answered that refused.
pub(super) fn refused(status: &Status) -> anyhow::Error {
    anyhow::anyhow!("{:?}: {}", status.code(), status.message())
}
