//! Reads a prior from its text. No serialization crate: the pure core has none.
//!
//! Form: one fact a line, `#` starts a comment, blank lines are skipped.
//! `version WORD`, `knots V V ...`, `fixed NAME MEAN SD`, `group NAME SD`, `value NAME NUMBER`.
//! Every fact exactly once, in any order; an unknown line is an error, so a typing slip is found.

use std::collections::BTreeMap;
use std::fmt::Write;

use super::{GroupScales, Prior, Term};

/// Why a text is no prior.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Malformed {
    /// A line that cannot be used.
    #[error("line {line}: {detail}")]
    Line {
        /// Line number from 1.
        line: usize,
        /// What is wrong with it.
        detail: String,
    },
    /// A fact the text does not state.
    #[error("`{0}` is missing")]
    Missing(String),
}

impl Malformed {
    fn at(line: usize, detail: impl Into<String>) -> Self {
        Self::Line {
            line,
            detail: detail.into(),
        }
    }
}

/// Facts of a text by kind and name, each with its line.
struct Facts<'a> {
    found: BTreeMap<(&'a str, &'a str), (usize, Vec<&'a str>)>,
}

impl<'a> Facts<'a> {
    /// Splits a text into facts; refuses a fact that is stated twice.
    fn split(text: &'a str) -> Result<Self, Malformed> {
        let mut found = BTreeMap::new();
        for (number, line) in (1..).zip(text.lines()) {
            let mut words = line
                .split('#')
                .next()
                .unwrap_or_default()
                .split_whitespace();
            let Some(kind) = words.next() else { continue };
            let name = match kind {
                "version" | "knots" => "",
                "fixed" | "group" | "value" => words
                    .next()
                    .ok_or_else(|| Malformed::at(number, format!("`{kind}` needs a name")))?,
                other => {
                    return Err(Malformed::at(
                        number,
                        format!("`{other}` is no kind of fact"),
                    ));
                }
            };
            if let Some((first, _)) = found.insert((kind, name), (number, words.collect())) {
                let what = format!("`{kind} {name}` stands already in line {first}");
                return Err(Malformed::at(number, what));
            }
        }
        Ok(Self { found })
    }

    /// Takes one fact out.
    fn take(&mut self, kind: &'a str, name: &'a str) -> Result<(usize, Vec<&'a str>), Malformed> {
        let missing = || Malformed::Missing(format!("{kind} {name}").trim_end().to_owned());
        self.found.remove(&(kind, name)).ok_or_else(missing)
    }

    /// Takes the numbers of one fact; any count.
    fn numbers(&mut self, kind: &'a str, name: &'a str) -> Result<(usize, Vec<f64>), Malformed> {
        let (line, words) = self.take(kind, name)?;
        let read = |word: &str| {
            let number = word.parse::<f64>().ok().filter(|number| number.is_finite());
            number.ok_or_else(|| Malformed::at(line, format!("`{word}` is not a number")))
        };
        Ok((line, words.into_iter().map(read).collect::<Result<_, _>>()?))
    }

    /// Takes a fact of exactly one positive number.
    fn positive(&mut self, kind: &'a str, name: &'a str) -> Result<f64, Malformed> {
        let (line, numbers) = self.numbers(kind, name)?;
        match numbers.as_slice() {
            [one] if *one > 0.0 => Ok(*one),
            _ => Err(Malformed::at(
                line,
                format!("`{kind} {name}` needs one number above 0"),
            )),
        }
    }

    /// Takes a mean and a standard deviation above 0.
    fn gaussian(&mut self, name: &'a str) -> Result<(f64, f64), Malformed> {
        let (line, numbers) = self.numbers("fixed", name)?;
        match numbers.as_slice() {
            [mean, sd] if *sd > 0.0 => Ok((*mean, *sd)),
            _ => Err(Malformed::at(
                line,
                format!("`fixed {name}` needs a mean and a standard deviation above 0"),
            )),
        }
    }

    /// Takes the version: one word.
    fn version(&mut self) -> Result<String, Malformed> {
        match self.take("version", "")? {
            (_, words) if words.len() == 1 => Ok(words.concat()),
            (line, _) => Err(Malformed::at(line, "`version` needs one word")),
        }
    }

    /// Takes the knots: at least two, ascending.
    fn knots(&mut self) -> Result<Vec<f64>, Malformed> {
        let (line, knots) = self.numbers("knots", "")?;
        if knots.len() < 2 || !knots.is_sorted_by(|low, high| low < high) {
            return Err(Malformed::at(
                line,
                "`knots` needs at least two volts, ascending",
            ));
        }
        Ok(knots)
    }

    /// Refuses what nobody took.
    fn finish(self) -> Result<(), Malformed> {
        match self.found.into_iter().min_by_key(|(_, (line, _))| *line) {
            Some(((kind, name), (line, _))) => {
                Err(Malformed::at(line, format!("`{kind} {name}` is not known")))
            }
            None => Ok(()),
        }
    }
}

/// Reads a whole prior.
pub(super) fn parse(text: &str) -> Result<Prior, Malformed> {
    let mut facts = Facts::split(text)?;
    let prior = Prior {
        version: facts.version()?,
        fixed: Term::ALL
            .iter()
            .map(|term| facts.gaussian(term.as_str()))
            .collect::<Result<_, _>>()?,
        knots: facts.knots()?,
        reference_v: facts.positive("value", "reference_v")?,
        slope_mean: facts.positive("value", "slope_mean")?,
        slope_sd: facts.positive("value", "slope_sd")?,
        step_sd: facts.positive("value", "step_sd")?,
        groups: GroupScales {
            shop: facts.positive("group", "shop")?,
            method: facts.positive("group", "method")?,
            storage: facts.positive("group", "storage")?,
            segment: facts.positive("group", "segment")?,
            cell: facts.positive("group", "cell")?,
            weight: facts.positive("value", "group_weight")?,
        },
        lack_of_fit_cell_factor: facts.positive("value", "lack_of_fit_cell_factor")?,
        lack_of_fit_floor_sd: facts.positive("value", "lack_of_fit_floor_sd")?,
    };
    facts.finish()?;
    Ok(prior)
}

/// Writes a prior as text that [`parse`] reads back bit for bit: doubles in their shortest form.
pub(super) fn render(prior: &Prior) -> String {
    let mut text = format!("version {}\nknots", prior.version);
    // Writing to a string cannot fail.
    for knot in &prior.knots {
        let _ = write!(text, " {knot}");
    }
    for (term, (mean, sd)) in Term::ALL.iter().zip(&prior.fixed) {
        let _ = write!(text, "\nfixed {term} {mean} {sd}");
    }
    let groups = &prior.groups;
    for (name, sd) in [
        ("shop", groups.shop),
        ("method", groups.method),
        ("storage", groups.storage),
        ("segment", groups.segment),
        ("cell", groups.cell),
    ] {
        let _ = write!(text, "\ngroup {name} {sd}");
    }
    for (name, value) in [
        ("reference_v", prior.reference_v),
        ("slope_mean", prior.slope_mean),
        ("slope_sd", prior.slope_sd),
        ("step_sd", prior.step_sd),
        ("group_weight", groups.weight),
        ("lack_of_fit_cell_factor", prior.lack_of_fit_cell_factor),
        ("lack_of_fit_floor_sd", prior.lack_of_fit_floor_sd),
    ] {
        let _ = write!(text, "\nvalue {name} {value}");
    }
    text.push('\n');
    text
}
