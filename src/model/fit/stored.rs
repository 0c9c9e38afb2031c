//! The stored form of a fit: bytes, not decimal text.
//!
//! A past answer must come back bit for bit, so every number is kept as the eight bytes of its
//! double, little-endian; a JSON column would round or refuse some. The prior travels as its own
//! text, which is read by the same code as the shipped ones. A checksum over everything closes
//! the form: a damaged row is an error, never another answer.

use chrono::DateTime;
use uuid::Uuid;

use super::{Basis, Counts, DESIGN_VERSION, FIRST_DESIGN, Family, Fit, Layout, LithiumVersion};
use crate::model::logistic::Solution;
use crate::model::prior::{Malformed, Prior};
use crate::model::symmetric::Symmetric;

/// First bytes of a stored fit; the last one is the version of the form.
const MARK: [u8; 8] = *b"rvfit\0\0\x01";
const DIGEST_BYTES: usize = 32;

/// Why bytes are no fit.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Damaged {
    /// Not written by this program, or in a form it does not know.
    #[error("not a stored fit of a known form")]
    Form,
    /// Changed since it was written.
    #[error("the checksum does not match")]
    Checksum,
    /// Columns, formulas or prior of another version: this program would answer otherwise.
    #[error("made with `{0}`, which this program does not compute")]
    Version(String),
    /// The prior inside cannot be read.
    #[error("the prior inside cannot be read")]
    Prior(#[source] Malformed),
    /// Lengths or values that do not fit together.
    #[error("`{0}` does not fit the rest")]
    Content(&'static str),
}

/// Writes numbers and texts one after the other.
struct Writer(Vec<u8>);

impl Writer {
    fn number(&mut self, number: u64) {
        self.0.extend_from_slice(&number.to_le_bytes());
    }

    fn doubles(&mut self, values: &[f64]) {
        self.number(values.len() as u64);
        for value in values {
            self.0.extend_from_slice(&value.to_bits().to_le_bytes());
        }
    }

    fn bytes(&mut self, bytes: &[u8]) {
        self.number(bytes.len() as u64);
        self.0.extend_from_slice(bytes);
    }
}

/// Reads what [`Writer`] wrote; `Damaged::Content` names the part that is cut short.
struct Reader<'a>(&'a [u8]);

impl<'a> Reader<'a> {
    fn take(&mut self, len: usize, part: &'static str) -> Result<&'a [u8], Damaged> {
        let (taken, rest) = self.0.split_at_checked(len).ok_or(Damaged::Content(part))?;
        self.0 = rest;
        Ok(taken)
    }

    fn number(&mut self, part: &'static str) -> Result<u64, Damaged> {
        let bytes = self.take(8, part)?;
        let bytes = bytes.try_into().map_err(|_| Damaged::Content(part))?;
        Ok(u64::from_le_bytes(bytes))
    }

    fn len(&mut self, part: &'static str) -> Result<usize, Damaged> {
        let len = usize::try_from(self.number(part)?).map_err(|_| Damaged::Content(part))?;
        // No item is smaller than a byte: a longer list would be a damaged length.
        if len > self.0.len() {
            return Err(Damaged::Content(part));
        }
        Ok(len)
    }

    fn double(&mut self, part: &'static str) -> Result<f64, Damaged> {
        Ok(f64::from_bits(self.number(part)?))
    }

    fn doubles(&mut self, part: &'static str) -> Result<Vec<f64>, Damaged> {
        let len = self.len(part)?;
        (0..len).map(|_| self.double(part)).collect()
    }

    fn bytes(&mut self, part: &'static str) -> Result<&'a [u8], Damaged> {
        let len = self.len(part)?;
        self.take(len, part)
    }

    fn text(&mut self, part: &'static str) -> Result<&'a str, Damaged> {
        str::from_utf8(self.bytes(part)?).map_err(|_| Damaged::Content(part))
    }
}

impl Fit {
    /// The stored form; [`Fit::from_bytes`] gives back the same fit, bit for bit.
    #[must_use]
    pub fn to_bytes(&self) -> Vec<u8> {
        let Solution {
            coefficients,
            covariance,
            group_sd,
            pinned,
            iterations,
            converged,
            log_likelihood,
        } = &self.solution;
        let mut out = Writer(MARK.to_vec());
        out.bytes(self.design_version().as_bytes());
        out.bytes(self.family().as_str().as_bytes());
        out.bytes(
            match self.basis() {
                Basis::LeadAcid(prior) => prior.to_text(),
                Basis::Lithium(version) => version.as_str().to_owned(),
            }
            .as_bytes(),
        );
        out.number(self.cutoff.timestamp_micros().cast_unsigned());
        for count in [
            self.counts.recovered,
            self.counts.not_recovered,
            self.counts.soft,
        ] {
            out.number(count);
        }
        out.number(self.shops().len() as u64);
        for shop in self.shops() {
            out.0.extend_from_slice(shop.as_bytes());
        }
        out.doubles(coefficients);
        out.doubles(covariance.lower());
        out.doubles(group_sd);
        out.number(pinned.len() as u64);
        for column in pinned {
            out.number(*column as u64);
        }
        out.number(u64::from(*iterations));
        out.number(u64::from(*converged));
        out.number(log_likelihood.to_bits());
        out.bytes(
            self.started_from
                .as_ref()
                .map_or(&[][..], |digest| &digest[..]),
        );
        if let Some(variance) = self.misfit_variance {
            out.number(variance.to_bits());
        }
        let digest = blake3::hash(&out.0);
        out.0.extend_from_slice(digest.as_bytes());
        out.0
    }

    /// Digest that names the stored form.
    #[must_use]
    pub fn digest(&self) -> [u8; 32] {
        *blake3::hash(&self.to_bytes()).as_bytes()
    }

    /// Reads a stored fit.
    ///
    /// # Errors
    /// `Damaged` that says what is wrong; nothing of a damaged row is used.
    pub fn from_bytes(bytes: &[u8]) -> Result<Self, Damaged> {
        let content = bytes.strip_prefix(&MARK).ok_or(Damaged::Form)?;
        let cut = bytes.len().checked_sub(DIGEST_BYTES).ok_or(Damaged::Form)?;
        let (signed, digest) = bytes.split_at_checked(cut).ok_or(Damaged::Form)?;
        if blake3::hash(signed).as_bytes().as_slice() != digest {
            return Err(Damaged::Checksum);
        }
        let len = content
            .len()
            .checked_sub(DIGEST_BYTES)
            .ok_or(Damaged::Form)?;
        let mut from = Reader(content.get(..len).ok_or(Damaged::Form)?);
        let fit = read(&mut from)?;
        if from.0.is_empty() {
            Ok(fit)
        } else {
            Err(Damaged::Content("end"))
        }
    }
}

fn read(from: &mut Reader<'_>) -> Result<Fit, Damaged> {
    let design = from.text("design")?;
    if ![FIRST_DESIGN, DESIGN_VERSION].contains(&design) {
        return Err(Damaged::Version(design.to_owned()));
    }
    let measured = design == DESIGN_VERSION;
    let family = Family::find(from.text("family")?).ok_or(Damaged::Content("family"))?;
    let basis = basis(family, from.text("prior")?)?;
    let cutoff = DateTime::from_timestamp_micros(from.number("cutoff")?.cast_signed())
        .ok_or(Damaged::Content("cutoff"))?;
    let counts = Counts {
        recovered: from.number("counts")?,
        not_recovered: from.number("counts")?,
        soft: from.number("counts")?,
    };
    let shops = (0..from.len("shops")?)
        .map(|_| Uuid::from_slice(from.take(16, "shops")?).map_err(|_| Damaged::Content("shops")))
        .collect::<Result<Vec<Uuid>, Damaged>>()?;
    if !shops.is_sorted_by(|left, right| left < right) {
        return Err(Damaged::Content("shops"));
    }
    let layout = Layout::new(basis, shops);
    let solution = solution(from, &layout)?;
    let started_from = match from.bytes("start")? {
        [] => None,
        digest => Some(digest.try_into().map_err(|_| Damaged::Content("start"))?),
    };
    let misfit_variance = if measured {
        let variance = from.double("misfit")?;
        let usable = variance.is_finite() && variance >= 0.0;
        Some(
            usable
                .then_some(variance)
                .ok_or(Damaged::Content("misfit"))?,
        )
    } else {
        None
    };
    Ok(Fit {
        layout,
        cutoff,
        counts,
        solution,
        started_from,
        misfit_variance,
    })
}

fn basis(family: Family, prior: &str) -> Result<Basis, Damaged> {
    match family {
        Family::LeadAcid => Prior::parse(prior)
            .map(Basis::LeadAcid)
            .map_err(Damaged::Prior),
        Family::Lithium => LithiumVersion::find(prior)
            .map(Basis::Lithium)
            .ok_or_else(|| Damaged::Version(prior.to_owned())),
    }
}

fn solution(from: &mut Reader<'_>, layout: &Layout) -> Result<Solution, Damaged> {
    let coefficients = from.doubles("coefficients")?;
    if coefficients.len() != layout.columns() {
        return Err(Damaged::Content("coefficients"));
    }
    let covariance = Symmetric::from_lower(layout.columns(), from.doubles("covariance")?)
        .ok_or(Damaged::Content("covariance"))?;
    let group_sd = from.doubles("group scales")?;
    if group_sd.len() != layout.groups().len() {
        return Err(Damaged::Content("group scales"));
    }
    let pinned = (0..from.len("pinned")?)
        .map(|_| usize::try_from(from.number("pinned")?).map_err(|_| Damaged::Content("pinned")))
        .collect::<Result<Vec<usize>, Damaged>>()?;
    Ok(Solution {
        coefficients,
        covariance,
        group_sd,
        pinned,
        iterations: u32::try_from(from.number("iterations")?)
            .map_err(|_| Damaged::Content("iterations"))?,
        converged: from.number("converged")? == 1,
        log_likelihood: from.double("log-likelihood")?,
    })
}
