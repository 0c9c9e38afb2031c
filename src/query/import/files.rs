//! Files of history: JSON lines and CSV, plain or gzip; shops as a JSON array.
//!
//! Each row is read for itself: a bad one is a rejection with its line, the others go on. A number
//! may stand as text, an empty text is not known, and columns nobody asks for are left alone.

use std::fs::File;
use std::io::{self, BufRead, BufReader, Read};
use std::path::Path;
use std::str::FromStr;

use chrono::{DateTime, Utc};
use flate2::read::MultiGzDecoder;
use serde_json::{Map, Value};

use super::{ImportedAttempt, ImportedCheckpoint, ImportedShop, ImportedVisit};
use crate::advice::economics::CostItem;
use crate::record::visit::parse::RawVisit;
use crate::record::words::{
    CcaStandard, Chemistry, Method, Segment, Storage, TesterState, VisualFlag,
};
use crate::reject::{Code, Reject};

/// Longest line, bytes.
const LINE_MAX: u64 = 64 * 1024;
/// Largest file of shops, bytes.
const SHOPS_MAX: u64 = 4 << 20;
/// Checkpoints of one attempt at most.
const CHECKPOINTS_MAX: usize = 64;

/// A file that cannot be read at all.
#[derive(Debug, thiserror::Error)]
pub enum Unreadable {
    /// It cannot be opened or read.
    #[error("cannot read {file}: {source}")]
    Io {
        /// Which.
        file: String,
        /// Why.
        source: io::Error,
    },
    /// Its head or its whole form is not what it should be.
    #[error("{file} is not readable: {detail}")]
    Form {
        /// Which.
        file: String,
        /// What is wrong.
        detail: String,
    },
}

/// Rows with the line they stand on.
pub type Rows<T> = Box<dyn Iterator<Item = (u64, Result<T, Reject>)>>;

/// Reads a file of presented batteries.
///
/// # Errors
/// `Unreadable` when it cannot be opened, or a CSV file has no head.
pub fn read_visits(path: &Path) -> Result<Rows<ImportedVisit>, Unreadable> {
    Ok(Box::new(rows(path)?.map(|(line, row)| {
        (line, row.and_then(|row| visit(&row)))
    })))
}

/// Reads a file of attempts; a case that stands again is its next attempt.
///
/// # Errors
/// `Unreadable` when it cannot be opened, or a CSV file has no head.
pub fn read_attempts(path: &Path) -> Result<Rows<ImportedAttempt>, Unreadable> {
    let mut counts = std::collections::HashMap::<String, u32>::new();
    Ok(Box::new(rows(path)?.map(move |(line, row)| {
        let read = row.and_then(|row| attempt(&row)).map(|mut attempt| {
            let count = counts.entry(attempt.case_ref.clone()).or_default();
            *count += 1;
            attempt.number = *count;
            attempt
        });
        (line, read)
    })))
}

/// Reads a file of shops: a JSON array of cost sheets. The line is the number of the entry.
///
/// # Errors
/// `Unreadable` when it cannot be opened or is no JSON array.
pub fn read_shops(path: &Path) -> Result<Rows<ImportedShop>, Unreadable> {
    let file = path.display().to_string();
    let mut text = String::new();
    let read = open(path)?.take(SHOPS_MAX).read_to_string(&mut text);
    read.map_err(|source| Unreadable::Io {
        file: file.clone(),
        source,
    })?;
    let array: Vec<Value> =
        serde_json::from_str(text.trim_start_matches('\u{feff}')).map_err(|error| {
            Unreadable::Form {
                file,
                detail: format!("no JSON array: {error}"),
            }
        })?;
    let read = |value| match value {
        Value::Object(fields) => shop(&Fields(fields)),
        _ => Err(Reject::new(
            Code::FieldInvalid,
            "shop",
            "an entry is no JSON object",
        )),
    };
    Ok(Box::new(
        (1..)
            .zip(array)
            .map(move |(number, value)| (number, read(value))),
    ))
}

fn open(path: &Path) -> Result<Box<dyn BufRead>, Unreadable> {
    let file = path.display().to_string();
    let opened = File::open(path).map_err(|source| Unreadable::Io { file, source })?;
    let packed = path
        .extension()
        .is_some_and(|ending| ending.eq_ignore_ascii_case("gz"));
    Ok(if packed {
        Box::new(BufReader::new(MultiGzDecoder::new(BufReader::new(opened))))
    } else {
        Box::new(BufReader::new(opened))
    })
}

fn is_csv(path: &Path) -> bool {
    let name = path
        .file_name()
        .map(|name| name.to_string_lossy().to_ascii_lowercase());
    name.is_some_and(|name| {
        let name = name.strip_suffix(".gz").unwrap_or(&name);
        Path::new(name)
            .extension()
            .is_some_and(|ending| ending == "csv")
    })
}

fn rows(path: &Path) -> Result<Rows<Fields>, Unreadable> {
    let reader = open(path)?;
    if is_csv(path) {
        csv_rows(reader, path)
    } else {
        Ok(Box::new(json_rows(reader)))
    }
}

fn unreadable_line(detail: impl Into<String>) -> Reject {
    Reject::new(Code::MalformedPayload, "line", detail)
}

/// JSON lines; empty lines are passed over. A line that is too long ends the file.
fn json_rows(mut reader: Box<dyn BufRead>) -> impl Iterator<Item = (u64, Result<Fields, Reject>)> {
    let (mut number, mut ended) = (0, false);
    std::iter::from_fn(move || {
        while !ended {
            number += 1;
            let mut bytes = Vec::new();
            match reader
                .by_ref()
                .take(LINE_MAX + 1)
                .read_until(b'\n', &mut bytes)
            {
                Ok(0) => return None,
                Ok(_) => {}
                Err(error) => {
                    ended = true;
                    return Some((
                        number,
                        Err(unreadable_line(format!("the file broke off: {error}"))),
                    ));
                }
            }
            if bytes.len() as u64 > LINE_MAX {
                ended = true;
                let detail =
                    format!("longer than {LINE_MAX} bytes; the rest of the file was not read");
                return Some((number, Err(unreadable_line(detail))));
            }
            let Ok(text) = std::str::from_utf8(&bytes) else {
                return Some((number, Err(unreadable_line("no UTF-8 text"))));
            };
            let text = text.trim_start_matches('\u{feff}').trim();
            if !text.is_empty() {
                let row = match serde_json::from_str(text) {
                    Ok(Value::Object(fields)) => Ok(Fields(fields)),
                    Ok(_) => Err(unreadable_line("no JSON object")),
                    Err(error) => Err(unreadable_line(format!("no JSON: {error}"))),
                };
                return Some((number, row));
            }
        }
        None
    })
}

fn csv_rows(reader: Box<dyn BufRead>, path: &Path) -> Result<Rows<Fields>, Unreadable> {
    let mut reader = csv::ReaderBuilder::new()
        .flexible(false)
        .trim(csv::Trim::All)
        .from_reader(reader);
    let form = |detail: String| Unreadable::Form {
        file: path.display().to_string(),
        detail,
    };
    let head = reader
        .headers()
        .map_err(|error| form(error.to_string()))?
        .clone();
    if head.is_empty() {
        return Err(form("it has no line of column names".to_owned()));
    }
    let names: Vec<String> = head
        .iter()
        .map(|name| name.trim_start_matches('\u{feff}').to_owned())
        .collect();
    Ok(Box::new(reader.into_records().map(
        move |record| match record {
            Ok(record) => {
                let line = record.position().map_or(0, csv::Position::line);
                let values = record.iter().map(|value| Value::String(value.to_owned()));
                (
                    line,
                    Ok(Fields(names.iter().cloned().zip(values).collect())),
                )
            }
            Err(error) => {
                let line = error.position().map_or(0, csv::Position::line);
                (line, Err(unreadable_line(error.to_string())))
            }
        },
    )))
}

/// The named values of one row.
struct Fields(Map<String, Value>);

impl Fields {
    /// A value that is there: neither absent, null nor empty.
    fn find(&self, name: &str) -> Option<&Value> {
        self.0
            .get(name)
            .filter(|value| !value.is_null() && value.as_str() != Some(""))
    }

    fn invalid(name: &str, value: &Value, wanted: &str) -> Reject {
        let shown: String = value.to_string().chars().take(80).collect();
        Reject::new(Code::FieldInvalid, name, format!("{shown} is no {wanted}"))
    }

    fn number(&self, name: &str) -> Result<Option<f64>, Reject> {
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

    fn text(&self, name: &str) -> Result<Option<String>, Reject> {
        match self.find(name) {
            None => Ok(None),
            Some(Value::String(text)) => Ok(Some(text.clone())),
            Some(Value::Number(number)) => Ok(Some(number.to_string())),
            Some(value) => Err(Self::invalid(name, value, "text")),
        }
    }

    fn needed(&self, name: &str) -> Result<String, Reject> {
        self.text(name)?
            .ok_or_else(|| Reject::new(Code::FieldMissing, name, "the column is absent or empty"))
    }

    fn truth(&self, name: &str) -> Result<Option<bool>, Reject> {
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

    /// Seconds since 1970, or RFC 3339.
    fn time(&self, name: &str) -> Result<Option<DateTime<Utc>>, Reject> {
        let Some(value) = self.find(name) else {
            return Ok(None);
        };
        let of_seconds = |seconds: f64| {
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
        time.map(Some)
            .ok_or_else(|| Self::invalid(name, value, "time (seconds since 1970 or RFC 3339)"))
    }

    fn word<W>(
        &self,
        name: &str,
        parse: impl Fn(&str, &str) -> Result<W, Reject>,
    ) -> Result<Option<W>, Reject> {
        self.text(name)?.map(|text| parse(name, &text)).transpose()
    }
}

fn visit(row: &Fields) -> Result<ImportedVisit, Reject> {
    let nominal = row.number("nominal_v")?.unwrap_or(0.0);
    let months = match row.number("months_since_full_charge")? {
        Some(months) => Some(months),
        None => row.number("months_since_charge")?,
    };
    #[expect(
        clippy::cast_possible_truncation,
        reason = "anything but 6 and 12 is refused later"
    )]
    let nominal_volts = if nominal.fract() == 0.0 {
        nominal as i32
    } else {
        -1
    };
    let facts = RawVisit {
        nominal_volts,
        chemistry: row.word("chemistry", Chemistry::parse)?,
        segment: row.word("segment", Segment::parse)?,
        rated_cca: row.number("cca_rated")?,
        cca_standard: row.word("cca_standard", CcaStandard::parse)?,
        rated_ah: row.number("rated_ah")?,
        label: row.text("label")?.unwrap_or_default(),
        rest_volts: row.number("rest_v")?,
        age_months: row.number("age_months")?,
        months_since_full_charge: months,
        storage: row.word("storage", Storage::parse)?,
        tester: row.word("tester", TesterState::parse)?,
        cca_ratio: row.number("cca_ratio")?,
        electrolyte_low: row.truth("electrolyte_low")?,
        flags: flags(row)?,
        replacement_price: row.number("replacement_price")?,
        presented_at: row.time("presented_at")?,
    };
    Ok(ImportedVisit {
        case_ref: row.needed("case_id")?,
        shop: row.needed("shop_id")?,
        facts,
    })
}

/// Flags as a JSON array, or as text with `;` between.
fn flags(row: &Fields) -> Result<Vec<VisualFlag>, Reject> {
    match row.find("flags") {
        None => Ok(Vec::new()),
        Some(Value::Array(words)) => words
            .iter()
            .map(|word| match word.as_str() {
                Some(word) => VisualFlag::parse("flags", word),
                None => Err(Fields::invalid("flags", word, "word")),
            })
            .collect(),
        Some(Value::String(text)) => text
            .split(';')
            .map(|word| VisualFlag::parse("flags", word.trim()))
            .collect(),
        Some(value) => Err(Fields::invalid("flags", value, "list of words")),
    }
}

fn attempt(row: &Fields) -> Result<ImportedAttempt, Reject> {
    let missing =
        |name: &str| Reject::new(Code::FieldMissing, name, "the column is absent or empty");
    Ok(ImportedAttempt {
        case_ref: row.needed("case_id")?,
        number: 1,
        charger_ref: row.text("charger_id")?,
        method: row.word("method", Method::parse)?,
        started_at: row
            .time("started_at")?
            .ok_or_else(|| missing("started_at"))?,
        hours: row.number("hours")?.ok_or_else(|| missing("hours"))?,
        outcome: row.needed("outcome")?,
        verified: row.truth("verified")?.unwrap_or(false),
        checkpoints: checkpoints(row)?,
    })
}

/// Checkpoints as a JSON array, also inside a CSV cell.
fn checkpoints(row: &Fields) -> Result<Vec<ImportedCheckpoint>, Reject> {
    let parsed;
    let values = match row.find("checkpoints") {
        None => return Ok(Vec::new()),
        Some(Value::Array(values)) => values,
        Some(Value::String(text)) => {
            parsed = serde_json::from_str::<Vec<Value>>(text).map_err(|error| {
                let detail = format!("no JSON array of checkpoints: {error}");
                Reject::new(Code::FieldInvalid, "checkpoints", detail)
            })?;
            &parsed
        }
        Some(value) => return Err(Fields::invalid("checkpoints", value, "list")),
    };
    if values.len() > CHECKPOINTS_MAX {
        let detail = format!("{} checkpoints; at most {CHECKPOINTS_MAX}", values.len());
        return Err(Reject::new(Code::FieldInvalid, "checkpoints", detail));
    }
    values
        .iter()
        .map(|value| {
            let Value::Object(fields) = value else {
                return Err(Fields::invalid("checkpoints", value, "object"));
            };
            let fields = Fields(fields.clone());
            let at_h = fields.number("h")?;
            let missing = || Reject::new(Code::FieldMissing, "checkpoints.h", "the hour is absent");
            Ok(ImportedCheckpoint {
                at_h: at_h.ok_or_else(missing)?,
                accept_c: fields.number("accept_c")?,
                dv: fields.number("dv")?,
                temp_rise_c: fields.number("temp_rise_c")?,
            })
        })
        .collect()
}

fn shop(row: &Fields) -> Result<ImportedShop, Reject> {
    let mut costs = Vec::new();
    for item in CostItem::ALL {
        if let Some(value) = row.number(item.as_str())? {
            costs.push((*item, value));
        }
    }
    Ok(ImportedShop {
        name: row.needed("shop_id")?,
        currency: row.text("currency")?,
        southern: row.truth("southern")?,
        usual_method: row.word("usual_method", Method::parse)?,
        costs,
    })
}

#[cfg(test)]
mod tests;
