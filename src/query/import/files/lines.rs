//! Lines of files as named values: JSON lines and CSV, plain or gzip. Memory is bounded by a line.
//!
//! A row is one line, in CSV too: a quote that is not closed spoils its own line only.

use std::fs::File;
use std::io::{self, BufRead, BufReader, Read};
use std::path::Path;

use csv::{ReaderBuilder, StringRecord, Trim};
use flate2::read::MultiGzDecoder;
use serde_json::Value;

use super::Unreadable;
use super::fields::Fields;
use crate::reject::{Code, Reject};

/// Longest line, bytes.
const LINE_MAX: usize = 64 * 1024;

/// Rows as they stand in a file, with their lines.
pub(super) type RawRows = Box<dyn Iterator<Item = (u64, Result<Fields, Reject>)>>;

/// Opens a file; unpacks it when its name ends in `.gz`.
pub(super) fn open(path: &Path) -> Result<Box<dyn BufRead>, Unreadable> {
    let opened = File::open(path).map_err(|source| Unreadable::io(path, source))?;
    let packed = path
        .extension()
        .is_some_and(|ending| ending.eq_ignore_ascii_case("gz"));
    Ok(if packed {
        Box::new(BufReader::new(MultiGzDecoder::new(BufReader::new(opened))))
    } else {
        Box::new(BufReader::new(opened))
    })
}

/// Reads the rows of a file: CSV when its name says so, else JSON lines.
pub(super) fn rows(path: &Path) -> Result<RawRows, Unreadable> {
    let lines = Lines::new(open(path)?);
    if is_csv(path) {
        return csv_rows(lines, path);
    }
    Ok(Box::new(lines.map(|(number, line)| {
        (number, line.and_then(|line| json_row(&line)))
    })))
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

/// The lines of a file that are not empty, counted from 1, without their ends.
struct Lines {
    reader: Box<dyn BufRead>,
    number: u64,
    ended: bool,
}

impl Lines {
    fn new(reader: Box<dyn BufRead>) -> Self {
        Self {
            reader,
            number: 0,
            ended: false,
        }
    }

    /// Reads a line up to the limit; says whether it was longer, and then passes over the rest.
    fn read(&mut self, bytes: &mut Vec<u8>) -> io::Result<bool> {
        let limit = LINE_MAX as u64 + 1;
        self.reader.by_ref().take(limit).read_until(b'\n', bytes)?;
        let cut = bytes.len() > LINE_MAX && bytes.last() != Some(&b'\n');
        if cut {
            self.reader.skip_until(b'\n')?;
        }
        Ok(cut)
    }
}

impl Iterator for Lines {
    type Item = (u64, Result<String, Reject>);

    fn next(&mut self) -> Option<Self::Item> {
        while !self.ended {
            self.number += 1;
            let mut bytes = Vec::new();
            let line = match self.read(&mut bytes) {
                Ok(_) if bytes.is_empty() => return None,
                Ok(true) => Err(spoiled(format!("longer than {LINE_MAX} bytes"))),
                Ok(false) => String::from_utf8(bytes).map_err(|_| spoiled("no UTF-8 text")),
                Err(error) => {
                    self.ended = true;
                    Err(spoiled(format!("the file broke off: {error}")))
                }
            };
            let line = line.map(|text| text.trim_start_matches('\u{feff}').trim().to_owned());
            if line.as_ref().map_or(true, |text| !text.is_empty()) {
                return Some((self.number, line));
            }
        }
        None
    }
}

fn spoiled(detail: impl Into<String>) -> Reject {
    Reject::new(Code::MalformedPayload, "line", detail)
}

fn json_row(line: &str) -> Result<Fields, Reject> {
    match serde_json::from_str(line) {
        Ok(Value::Object(fields)) => Ok(Fields(fields)),
        Ok(_) => Err(spoiled("no JSON object")),
        Err(error) => Err(spoiled(format!("no JSON: {error}"))),
    }
}

fn csv_rows(mut lines: Lines, path: &Path) -> Result<RawRows, Unreadable> {
    let form = |detail: &str| Unreadable::form(path, detail);
    let Some((_, head)) = lines.next() else {
        return Err(form("it has no line of column names"));
    };
    let head = head
        .and_then(|line| cells(&line))
        .map_err(|reject| form(&reject.detail))?;
    let names: Vec<String> = head.iter().map(str::to_owned).collect();
    for (place, name) in names.iter().enumerate() {
        if names.iter().take(place).any(|before| before == name) {
            return Err(form(&format!(
                "column `{}` stands twice",
                name.escape_debug()
            )));
        }
    }
    Ok(Box::new(lines.map(move |(number, line)| {
        (number, line.and_then(|line| csv_row(&names, &line)))
    })))
}

fn csv_row(names: &[String], line: &str) -> Result<Fields, Reject> {
    let cells = cells(line)?;
    if cells.len() != names.len() {
        let detail = format!("{} values for {} columns", cells.len(), names.len());
        return Err(spoiled(detail));
    }
    let values = cells.iter().map(|cell| Value::String(cell.to_owned()));
    Ok(Fields(names.iter().cloned().zip(values).collect()))
}

/// Values of one CSV line. Quotes stand in pairs in a whole row.
fn cells(line: &str) -> Result<StringRecord, Reject> {
    if line.matches('"').count() % 2 == 1 {
        return Err(spoiled("a quote is not closed; a row must be one line"));
    }
    let mut record = StringRecord::new();
    let read = ReaderBuilder::new()
        .has_headers(false)
        .flexible(true)
        .trim(Trim::All)
        .buffer_capacity(line.len().max(1))
        .from_reader(line.as_bytes())
        .read_record(&mut record);
    match read {
        Ok(_) => Ok(record),
        Err(error) => Err(spoiled(error.to_string())),
    }
}
