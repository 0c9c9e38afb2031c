//! Files of history: JSON lines and CSV, plain or gzip; shops as a JSON array.
//!
//! Each row is read for itself: a bad one is a rejection with its line, the others go on. In CSV a
//! list is one cell: checkpoints as a JSON array, flags with `;` between. Columns nobody asks for
//! are left alone and named by `Rows::unknown`.

mod fields;
mod lines;

use std::collections::{BTreeSet, HashMap};
use std::io::{self, Read};
use std::path::Path;

use serde_json::Value;

use self::fields::Fields;
use self::lines::RawRows;
use super::{ImportedAttempt, ImportedCheckpoint, ImportedShop, ImportedVisit};
use crate::advice::economics::CostItem;
use crate::record::visit::parse::RawVisit;
use crate::record::words::{
    CcaStandard, Chemistry, Method, Segment, Storage, TesterState, VisualFlag,
};
use crate::reject::{Code, Reject};

/// Largest file of shops, bytes.
const SHOPS_MAX: u64 = 4 << 20;
/// Checkpoints of one attempt at most.
const CHECKPOINTS_MAX: usize = 64;
/// Unknown columns that are named at most, and the characters that are shown of each.
const UNKNOWN_MAX: (usize, usize) = (32, 64);

/// Columns of presented batteries; `attempted` and `cca_measured` are known and not needed.
const VISIT_COLUMNS: &[&str] = &[
    "case_id",
    "shop_id",
    "presented_at",
    "segment",
    "nominal_v",
    "chemistry",
    "rest_v",
    "age_months",
    "months_since_full_charge",
    "months_since_charge",
    "storage",
    "tester",
    "cca_ratio",
    "electrolyte_low",
    "cca_rated",
    "cca_standard",
    "cca_measured",
    "rated_ah",
    "label",
    "flags",
    "replacement_price",
    "attempted",
];

/// Columns of attempts.
const ATTEMPT_COLUMNS: &[&str] = &[
    "case_id",
    "charger_id",
    "method",
    "started_at",
    "hours",
    "outcome",
    "verified",
    "checkpoints",
];

/// Columns of the truth of an invented fleet that are read.
const TRUTH_COLUMNS: &[&str] = &["case_id", "p_observed", "recovers"];

/// Columns of shops beside the entries of the cost sheet.
const SHOP_COLUMNS: &[&str] = &["shop_id", "currency", "southern", "usual_method"];

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

impl Unreadable {
    fn io(path: &Path, source: io::Error) -> Self {
        let file = path.display().to_string();
        Self::Io { file, source }
    }

    fn form(path: &Path, detail: &str) -> Self {
        Self::Form {
            file: path.display().to_string(),
            detail: detail.to_owned(),
        }
    }
}

/// Makes the facts of one row, or says why it cannot.
type Reader<T> = dyn FnMut(&Fields) -> Result<T, Reject>;

/// Rows with the line they stand on; each is the facts, or why it cannot be read.
pub struct Rows<T> {
    raw: RawRows,
    read: Box<Reader<T>>,
    known: Vec<&'static str>,
    unknown: BTreeSet<String>,
}

impl<T> Rows<T> {
    fn new(
        raw: RawRows,
        known: &[&'static str],
        read: impl FnMut(&Fields) -> Result<T, Reject> + 'static,
    ) -> Self {
        Self {
            raw,
            read: Box::new(read),
            known: known.to_vec(),
            unknown: BTreeSet::new(),
        }
    }

    /// Columns seen so far that nobody asks for, each once, by name; at most 32.
    ///
    /// A misspelt column is one of them: its values were taken as not known.
    pub fn unknown(&self) -> impl Iterator<Item = &str> {
        self.unknown.iter().map(String::as_str)
    }

    fn note(&mut self, row: &Fields) {
        let (names_max, shown_max) = UNKNOWN_MAX;
        for name in row.0.keys() {
            if self.unknown.len() < names_max && !self.known.contains(&name.as_str()) {
                let shown = name.escape_debug().take(shown_max).collect();
                self.unknown.insert(shown);
            }
        }
    }
}

impl<T> Iterator for Rows<T> {
    type Item = (u64, Result<T, Reject>);

    fn next(&mut self) -> Option<Self::Item> {
        let (line, row) = self.raw.next()?;
        let row = row.and_then(|row| {
            self.note(&row);
            (self.read)(&row)
        });
        Some((line, row))
    }
}

/// Reads a file of presented batteries.
///
/// # Errors
/// `Unreadable` when it cannot be opened, or a CSV file has no sound head.
pub fn read_visits(path: &Path) -> Result<Rows<ImportedVisit>, Unreadable> {
    Ok(Rows::new(lines::rows(path)?, VISIT_COLUMNS, visit))
}

/// Reads a file of attempts; a case that stands again is its next attempt, readable or not.
///
/// # Errors
/// `Unreadable` when it cannot be opened, or a CSV file has no sound head.
pub fn read_attempts(path: &Path) -> Result<Rows<ImportedAttempt>, Unreadable> {
    let mut counts = HashMap::<String, u32>::new();
    let read = move |row: &Fields| {
        let case = row.needed("case_id")?;
        let number = counts.entry(case.clone()).or_default();
        *number += 1;
        attempt(row, (case, *number))
    };
    Ok(Rows::new(lines::rows(path)?, ATTEMPT_COLUMNS, read))
}

/// Reads a file of shops: a JSON array of cost sheets. The line is the number of the entry.
///
/// # Errors
/// `Unreadable` when it cannot be opened, is no JSON array or larger than 4 MiB.
pub fn read_shops(path: &Path) -> Result<Rows<ImportedShop>, Unreadable> {
    let mut text = String::new();
    let read = lines::open(path)?
        .take(SHOPS_MAX + 1)
        .read_to_string(&mut text);
    read.map_err(|source| Unreadable::io(path, source))?;
    if text.len() as u64 > SHOPS_MAX {
        return Err(Unreadable::form(path, "shops are read up to 4 MiB"));
    }
    let array: Vec<Value> = serde_json::from_str(text.trim_start_matches('\u{feff}'))
        .map_err(|error| Unreadable::form(path, &format!("no JSON array: {error}")))?;
    let raw = (1..).zip(array).map(|(number, value)| match value {
        Value::Object(fields) => (number, Ok(Fields(fields))),
        _ => (
            number,
            Err(Reject::new(
                Code::FieldInvalid,
                "shop",
                "an entry is no JSON object",
            )),
        ),
    });
    let costs = CostItem::ALL.iter().map(|item| item.as_str());
    let known: Vec<&str> = SHOP_COLUMNS.iter().copied().chain(costs).collect();
    Ok(Rows::new(Box::new(raw), &known, shop))
}

/// What only the maker of an invented fleet knows of a battery.
#[derive(Debug, Clone, PartialEq)]
pub struct Truth {
    /// Case.
    pub case_ref: String,
    /// Chance that it recovers given what was recorded, 0 to 1.
    pub p_observed: f64,
    /// Whether an attempt would bring it back.
    pub recovers: bool,
}

/// Reads the truth of an invented fleet.
///
/// # Errors
/// `Unreadable` when it cannot be opened, or a CSV file has no sound head.
pub fn read_truth(path: &Path) -> Result<Rows<Truth>, Unreadable> {
    Ok(Rows::new(lines::rows(path)?, TRUTH_COLUMNS, truth))
}

fn truth(row: &Fields) -> Result<Truth, Reject> {
    let ratio = |name: &str| {
        let value = row.number(name)?.ok_or_else(|| {
            Reject::new(Code::FieldMissing, name, "the column is absent or empty")
        })?;
        if (0.0..=1.0).contains(&value) {
            Ok(value)
        } else {
            let detail = format!("{value} is outside 0 to 1");
            Err(Reject::new(Code::ValueOutOfRange, name, detail))
        }
    };
    let recovers = match row.find("recovers") {
        Some(Value::Bool(recovers)) => *recovers,
        _ => ratio("recovers")? > 0.5,
    };
    Ok(Truth {
        case_ref: row.needed("case_id")?,
        p_observed: ratio("p_observed")?,
        recovers,
    })
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

fn attempt(row: &Fields, (case_ref, number): (String, u32)) -> Result<ImportedAttempt, Reject> {
    let missing =
        |name: &str| Reject::new(Code::FieldMissing, name, "the column is absent or empty");
    Ok(ImportedAttempt {
        case_ref,
        number,
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
