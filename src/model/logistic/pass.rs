//! Sparse rows and one pass over them: log-likelihood, gradient, curvature.

use super::Symmetric;
use crate::model::normal;

/// Rows that are summed before the sum joins the total, whoever sums them. Source: STATISTICS 3.
const CHUNK_ROWS: usize = 65_536;

/// Factors of 1 to 2 are multiplied up to here before one logarithm is taken of them all.
const PRODUCT_MAX: f64 = 1e280;

/// Rows of a design with their labels, in the order of their attempts.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Rows {
    /// Where each row ends in `entries`.
    ends: Vec<usize>,
    entries: Vec<(u32, f64)>,
    labels: Vec<f64>,
}

impl Rows {
    /// Makes room for `rows` rows of about 16 entries.
    #[must_use]
    pub fn with_capacity(rows: usize) -> Self {
        Self {
            ends: Vec::with_capacity(rows),
            entries: Vec::with_capacity(rows.saturating_mul(16)),
            labels: Vec::with_capacity(rows),
        }
    }

    /// Adds a row: (column, value) of what is not zero, columns ascending, and its label, 0 to 1.
    pub fn push(&mut self, entries: impl IntoIterator<Item = (usize, f64)>, label: f64) {
        let narrow = |(column, x)| u32::try_from(column).ok().map(|column| (column, x));
        self.entries.extend(entries.into_iter().filter_map(narrow));
        self.ends.push(self.entries.len());
        self.labels.push(label.clamp(0.0, 1.0));
    }

    /// Number of rows.
    #[must_use]
    pub fn len(&self) -> usize {
        self.labels.len()
    }

    /// True without any row.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.labels.is_empty()
    }

    /// Label less chance, and chance times its complement, of each row at some coefficients.
    pub fn residuals(&self, coefficients: &[f64]) -> impl Iterator<Item = (f64, f64)> {
        let chunks = 0..self.len().div_ceil(CHUNK_ROWS);
        let rows = chunks.flat_map(|at| self.chunk(at));
        rows.map(move |(entries, label)| {
            let p = normal::logistic(log_odds(entries, coefficients));
            (label - p, p * (1.0 - p))
        })
    }

    /// Entries and label of the rows of one chunk.
    fn chunk(&self, at: usize) -> impl Iterator<Item = (&[(u32, f64)], f64)> {
        let first = at * CHUNK_ROWS;
        let before = first.checked_sub(1).and_then(|last| self.ends.get(last));
        let mut start = before.copied().unwrap_or(0);
        let rows = self
            .ends
            .iter()
            .zip(&self.labels)
            .skip(first)
            .take(CHUNK_ROWS);
        rows.map(move |(end, label)| {
            let entries = self.entries.get(start..*end).unwrap_or_default();
            start = *end;
            (entries, *label)
        })
    }
}

/// Sum of a row's values times coefficients.
#[inline]
fn log_odds(entries: &[(u32, f64)], coefficients: &[f64]) -> f64 {
    let mut eta = 0.0;
    for (column, x) in entries {
        eta += x * coefficients.get(*column as usize).copied().unwrap_or(0.0);
    }
    eta
}

/// Sums over all rows at one set of coefficients.
pub(super) struct Pass {
    pub(super) log_likelihood: f64,
    pub(super) gradient: Vec<f64>,
    pub(super) curvature: Symmetric,
}

impl Pass {
    fn zeros(columns: usize) -> Self {
        Self {
            log_likelihood: 0.0,
            gradient: vec![0.0; columns],
            curvature: Symmetric::zeros(columns),
        }
    }

    /// Sums the rows chunk by chunk.
    pub(super) fn over(rows: &Rows, coefficients: &[f64]) -> Self {
        Self::sum::<true>(rows, coefficients)
    }

    /// Sums the rows at other coefficients, but for the curvature, which is kept.
    pub(super) fn again(&self, rows: &Rows, coefficients: &[f64]) -> Self {
        Self {
            curvature: self.curvature.clone(),
            ..Self::sum::<false>(rows, coefficients)
        }
    }

    fn sum<const CURVATURE: bool>(rows: &Rows, coefficients: &[f64]) -> Self {
        let mut total = Self::zeros(coefficients.len());
        let mut part = Self::zeros(coefficients.len());
        for at in 0..rows.len().div_ceil(CHUNK_ROWS) {
            part.clear();
            let mut product = 1.0;
            for (entries, label) in rows.chunk(at) {
                product *= part.take::<CURVATURE>(entries, label, coefficients);
                if product > PRODUCT_MAX {
                    part.log_likelihood -= libm::log(product);
                    product = 1.0;
                }
            }
            part.log_likelihood -= libm::log(product);
            total.add(&part);
        }
        total
    }

    fn clear(&mut self) {
        self.log_likelihood = 0.0;
        self.gradient.fill(0.0);
        self.curvature.clear();
    }

    fn add(&mut self, part: &Self) {
        self.log_likelihood += part.log_likelihood;
        for (sum, cell) in self.gradient.iter_mut().zip(&part.gradient) {
            *sum += cell;
        }
        self.curvature.add(&part.curvature);
    }

    /// Adds one row; gives the factor whose logarithm its log-likelihood still lacks.
    fn take<const CURVATURE: bool>(
        &mut self,
        entries: &[(u32, f64)],
        label: f64,
        coefficients: &[f64],
    ) -> f64 {
        let eta = log_odds(entries, coefficients);
        let odds = libm::exp(-eta.abs());
        let p = if eta < 0.0 {
            odds / (1.0 + odds)
        } else {
            1.0 / (1.0 + odds)
        };
        self.log_likelihood += label * eta - eta.max(0.0);
        let (residual, weight) = (label - p, p * (1.0 - p));
        for (index, (column, x)) in entries.iter().enumerate() {
            let column = *column as usize;
            if let Some(cell) = self.gradient.get_mut(column) {
                *cell += residual * x;
            }
            if CURVATURE {
                let (scaled, row) = (weight * x, self.curvature.row_mut(column));
                for (other, z) in entries.get(..=index).unwrap_or_default() {
                    if let Some(cell) = row.get_mut(*other as usize) {
                        *cell += scaled * z;
                    }
                }
            }
        }
        1.0 + odds
    }
}
