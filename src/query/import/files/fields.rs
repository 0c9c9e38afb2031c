//! Named values of one row: what is there, in the form that is asked for.
//!
//! A number may stand as text; an absent, null or empty value is not known.

use std::str::FromStr;

use chrono::{DateTime, Utc};
use serde_json::{Map, Value};

use crate::reject::{Code, Reject};

/// The named values of one row.
pub(super) struct Fields(pub(super) Map<String, Value>);

impl Fields {
    /// A value that is there: neither absent, null nor empty.
    pub(super) fn find(&self, name: &str) -> Option<&Value> {
        self.0
            .get(name)
            .filter(|value| !value.is_null() && value.as_str() != Some(""))
    }

    pub(super) fn invalid(name: &str, value: &Value, wanted: &str) -> Reject {
        let shown: String = value.to_string().chars().take(80).collect();
        Reject::new(Code::FieldInvalid, name, format!("{shown} is no {wanted}"))
    }

    pub(super) fn number(&self, name: &str) -> Result<Option<f64>, Reject> {
        let Some(value) = self.find(name) else {
            return Ok(None);
        };
        let number = match value {
            Value::String(text) => f64::from_str(text).ok(),
            other => other.as_f64(),
        };
        number
            .map(Some)
            .ok_or_else(|| Self::invalid(name, value, "number"))
    }

    pub(super) fn text(&self, name: &str) -> Result<Option<String>, Reject> {
        match self.find(name) {
            None => Ok(None),
            Some(Value::String(text)) => Ok(Some(text.clone())),
            Some(Value::Number(number)) => Ok(Some(number.to_string())),
            Some(value) => Err(Self::invalid(name, value, "text")),
        }
    }

    pub(super) fn needed(&self, name: &str) -> Result<String, Reject> {
        self.text(name)?
            .ok_or_else(|| Reject::new(Code::FieldMissing, name, "the column is absent or empty"))
    }

    pub(super) fn truth(&self, name: &str) -> Result<Option<bool>, Reject> {
        let Some(value) = self.find(name) else {
            return Ok(None);
        };
        let truth = match value {
            Value::Bool(truth) => Some(*truth),
            Value::String(text) => match text.to_ascii_lowercase().as_str() {
                "true" | "1" | "yes" => Some(true),
                "false" | "0" | "no" => Some(false),
                _ => None,
            },
            other => other
                .as_u64()
                .filter(|number| *number < 2)
                .map(|number| number == 1),
        };
        truth
            .map(Some)
            .ok_or_else(|| Self::invalid(name, value, "true or false"))
    }

    /// Seconds since 1970, or RFC 3339; nothing before 1970.
    pub(super) fn time(&self, name: &str) -> Result<Option<DateTime<Utc>>, Reject> {
        let Some(value) = self.find(name) else {
            return Ok(None);
        };
        let of_seconds = |seconds: f64| {
            if !seconds.is_finite() {
                return None;
            }
            #[expect(clippy::cast_possible_truncation, reason = "checked by the calendar")]
            DateTime::from_timestamp_micros((seconds * 1e6).round() as i64)
        };
        let time = match value {
            Value::String(text) => DateTime::parse_from_rfc3339(text)
                .map(|time| time.to_utc())
                .ok()
                .or_else(|| f64::from_str(text).ok().and_then(of_seconds)),
            other => other.as_f64().and_then(of_seconds),
        };
        time.filter(|time| *time >= DateTime::UNIX_EPOCH)
            .map(Some)
            .ok_or_else(|| Self::invalid(name, value, "time (seconds since 1970 or RFC 3339)"))
    }

    pub(super) fn word<W>(
        &self,
        name: &str,
        parse: impl Fn(&str, &str) -> Result<W, Reject>,
    ) -> Result<Option<W>, Reject> {
        self.text(name)?.map(|text| parse(name, &text)).transpose()
    }
}
