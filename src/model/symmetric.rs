//! Symmetric matrices kept as their lower triangle, and the Cholesky factor of one.
//!
//! Sums run in a fixed order, so equal input gives equal bits. Sizes here are a few hundred.

#[cfg(test)]
mod tests;

/// Number of cells of a lower triangle with `size` rows.
fn cells(size: usize) -> usize {
    size * (size + 1) / 2
}

/// Sum of products of equally long slices in four interleaved lanes, which lets the compiler use wide registers without
/// changing the order of the additions.
fn dot(left: &[f64], right: &[f64]) -> f64 {
    let (mut lanes, mut rest) = ([0.0; 4], 0.0);
    let (left_fours, right_fours) = (left.chunks_exact(4), right.chunks_exact(4));
    for (x, z) in left_fours.remainder().iter().zip(right_fours.remainder()) {
        rest += x * z;
    }
    for (x, z) in left_fours.zip(right_fours) {
        for ((lane, x), z) in lanes.iter_mut().zip(x).zip(z) {
            *lane += x * z;
        }
    }
    let [first, second, third, fourth] = lanes;
    (first + second) + (third + fourth) + rest
}

/// Adds `factor` times `from` to `to`.
fn add_scaled(to: &mut [f64], factor: f64, from: &[f64]) {
    for (cell, x) in to.iter_mut().zip(from) {
        *cell += factor * x;
    }
}

/// A symmetric matrix, row by row up to the diagonal.
#[derive(Debug, Clone, PartialEq)]
pub struct Symmetric {
    size: usize,
    values: Vec<f64>,
}

impl Symmetric {
    /// Makes a matrix of zeros.
    #[must_use]
    pub fn zeros(size: usize) -> Self {
        Self {
            size,
            values: vec![0.0; cells(size)],
        }
    }

    /// Takes the lower triangle row by row; `None` when the number of cells does not fit.
    #[must_use]
    pub fn from_lower(size: usize, values: Vec<f64>) -> Option<Self> {
        (values.len() == cells(size)).then_some(Self { size, values })
    }

    /// The lower triangle row by row, the diagonal last in each row.
    #[must_use]
    pub fn lower(&self) -> &[f64] {
        &self.values
    }

    /// Number of rows.
    #[must_use]
    pub fn size(&self) -> usize {
        self.size
    }

    /// Gives one cell; 0 outside.
    #[must_use]
    pub fn get(&self, row: usize, column: usize) -> f64 {
        let (high, low) = (row.max(column), row.min(column));
        self.row(high).get(low).copied().unwrap_or(0.0)
    }

    /// Sets one cell and its mirror; nothing outside.
    pub fn set(&mut self, row: usize, column: usize, value: f64) {
        let (high, low) = (row.max(column), row.min(column));
        if let Some(cell) = self.row_mut(high).get_mut(low) {
            *cell = value;
        }
    }

    /// One row up to its diagonal; empty outside.
    #[must_use]
    pub fn row(&self, row: usize) -> &[f64] {
        let start = cells(row);
        self.values.get(start..=start + row).unwrap_or_default()
    }

    pub(super) fn row_mut(&mut self, row: usize) -> &mut [f64] {
        let start = cells(row);
        self.values.get_mut(start..=start + row).unwrap_or_default()
    }

    /// Adds another matrix of the same size.
    pub(super) fn add(&mut self, other: &Self) {
        add_scaled(&mut self.values, 1.0, &other.values);
    }

    /// Sets all cells to 0.
    pub(super) fn clear(&mut self) {
        self.values.fill(0.0);
    }

    /// Replaces a row and its column by those of the unit matrix.
    pub(super) fn isolate(&mut self, at: usize) {
        for other in 0..self.size {
            self.set(at, other, 0.0);
        }
        self.set(at, at, 1.0);
    }

    /// Multiplies by a vector of the same size.
    #[must_use]
    pub fn times(&self, vector: &[f64]) -> Vec<f64> {
        let mut product = vec![0.0; self.size];
        for (at, x) in vector.iter().enumerate().take(self.size) {
            let Some((own, row)) = self.row(at).split_last() else {
                break;
            };
            let sum = dot(row, vector.get(..at).unwrap_or_default()) + own * x;
            if let Some((left, [cell, ..])) = product.split_at_mut_checked(at) {
                add_scaled(left, *x, row);
                *cell += sum;
            }
        }
        product
    }

    /// The quadratic form of a sparse vector, given as (position, value).
    #[must_use]
    pub fn form(&self, sparse: &[(usize, f64)]) -> f64 {
        let mut sum = 0.0;
        for (index, (left, x)) in sparse.iter().enumerate() {
            let mut inner = 0.5 * x * self.get(*left, *left);
            for (right, z) in sparse.iter().take(index) {
                inner += z * self.get(*left, *right);
            }
            sum += 2.0 * x * inner;
        }
        sum
    }

    /// Factors the matrix; `None` when it is not positive definite.
    #[must_use]
    pub fn cholesky(&self) -> Option<Factor> {
        let mut lower = self.values.clone();
        for at in 0..self.size {
            let (done, rest) = lower.split_at_mut_checked(cells(at))?;
            let row = rest.get_mut(..=at)?;
            for column in 0..at {
                let start = cells(column);
                let (left, [cell, ..]) = row.split_at_mut_checked(column)? else {
                    return None;
                };
                let above = done.get(start..=start + column)?;
                let (diagonal, above) = above.split_last()?;
                *cell = (*cell - dot(left, above)) / diagonal;
            }
            let (diagonal, left) = row.split_last_mut()?;
            let square = *diagonal - dot(left, left);
            if square.is_nan() || square <= 0.0 {
                return None;
            }
            *diagonal = libm::sqrt(square);
        }
        Some(Factor {
            lower: Self {
                size: self.size,
                values: lower,
            },
        })
    }
}

/// Lower-triangular Cholesky factor.
#[derive(Debug, Clone)]
pub struct Factor {
    lower: Symmetric,
}

impl Factor {
    /// Logarithm of the determinant of the factored matrix.
    #[must_use]
    pub fn log_determinant(&self) -> f64 {
        let diagonal = (0..self.lower.size).filter_map(|at| self.lower.row(at).last());
        diagonal.map(|cell| 2.0 * libm::log(*cell)).sum()
    }

    /// Solves for a right-hand side of the same size.
    #[must_use]
    pub fn solve(&self, right: &[f64]) -> Vec<f64> {
        let mut x = right.to_vec();
        for at in 0..self.lower.size {
            if let (Some((diagonal, row)), Some((done, [cell, ..]))) =
                (self.lower.row(at).split_last(), x.split_at_mut_checked(at))
            {
                *cell = (*cell - dot(row, done)) / diagonal;
            }
        }
        for at in (0..self.lower.size).rev() {
            if let (Some((diagonal, row)), Some((above, [cell, ..]))) =
                (self.lower.row(at).split_last(), x.split_at_mut_checked(at))
            {
                *cell /= diagonal;
                add_scaled(above, -*cell, row);
            }
        }
        x
    }

    /// Inverts the triangle.
    #[must_use]
    pub fn invert(&self) -> Inverted {
        let size = self.lower.size;
        let mut values = vec![0.0; cells(size)];
        for at in 0..size {
            let Some((done, rest)) = values.split_at_mut_checked(cells(at)) else {
                break;
            };
            let (Some(row), Some((diagonal, factors))) =
                (rest.get_mut(..=at), self.lower.row(at).split_last())
            else {
                break;
            };
            for (above, factor) in factors.iter().enumerate() {
                let start = cells(above);
                add_scaled(
                    row,
                    -factor,
                    done.get(start..=start + above).unwrap_or_default(),
                );
            }
            for cell in row.iter_mut() {
                *cell /= diagonal;
            }
            if let Some(last) = row.last_mut() {
                *last = 1.0 / diagonal;
            }
        }
        Inverted {
            lower: Symmetric { size, values },
        }
    }
}

/// Inverse of a Cholesky factor: the square root of the inverse matrix.
#[derive(Debug, Clone)]
pub struct Inverted {
    lower: Symmetric,
}

impl Inverted {
    /// Diagonal of the inverse of the factored matrix.
    #[must_use]
    pub fn diagonal(&self) -> Vec<f64> {
        let mut sums = vec![0.0; self.lower.size];
        for at in 0..self.lower.size {
            for (sum, cell) in sums.iter_mut().zip(self.lower.row(at)) {
                *sum += cell * cell;
            }
        }
        sums
    }

    /// Inverse of the factored matrix.
    #[must_use]
    pub fn inverse(&self) -> Symmetric {
        let mut inverse = Symmetric::zeros(self.lower.size);
        for at in 0..self.lower.size {
            let from = self.lower.row(at);
            for (row, factor) in from.iter().enumerate() {
                add_scaled(inverse.row_mut(row), *factor, from);
            }
        }
        inverse
    }
}
