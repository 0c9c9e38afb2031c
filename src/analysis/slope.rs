//! Slopes of short windows: least squares and the median of pairs.

/// Most points of a window whose pairs are looked at.
pub const POINTS_MAX: usize = 24;

/// Median of all pairwise slopes (Sen 1968); robust to a third of outliers.
///
/// Units: those of y per unit of x. `None` below two different x or above `POINTS_MAX` points.
#[must_use]
pub fn theil_sen(points: &[(f64, f64)]) -> Option<f64> {
    const PAIRS: usize = POINTS_MAX * (POINTS_MAX - 1) / 2;
    let mut slopes = [0.0; PAIRS];
    let mut count = 0;
    for (index, (x, y)) in points.iter().enumerate() {
        for (later_x, later_y) in points.iter().skip(index + 1) {
            let run = later_x - x;
            if run.abs() > 0.0 {
                *slopes.get_mut(count)? = (later_y - y) / run;
                count += 1;
            }
        }
    }
    median(slopes.get_mut(..count)?)
}

/// Median, the mean of the middle two for an even count; reorders the values.
pub(crate) fn median(values: &mut [f64]) -> Option<f64> {
    let middle = values.len() / 2;
    if values.is_empty() {
        return None;
    }
    let odd = values.len() % 2 == 1;
    let (below, upper, _) = values.select_nth_unstable_by(middle, f64::total_cmp);
    let upper = *upper;
    if odd {
        return Some(upper);
    }
    let lower = below.iter().copied().max_by(f64::total_cmp)?;
    Some(f64::midpoint(lower, upper))
}

/// Sums of a straight line by least squares, point by point.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Line {
    count: f64,
    x: f64,
    y: f64,
    xx: f64,
    xy: f64,
    yy: f64,
}

impl Line {
    /// Adds a point.
    pub fn add(&mut self, x: f64, y: f64) {
        self.count += 1.0;
        self.x += x;
        self.y += y;
        self.xx += x * x;
        self.xy += x * y;
        self.yy += y * y;
    }

    /// Points so far.
    #[must_use]
    pub fn count(&self) -> f64 {
        self.count
    }

    /// Mean of y.
    #[must_use]
    pub fn mean_y(&self) -> Option<f64> {
        (self.count > 0.0).then(|| self.y / self.count)
    }

    /// Standard deviation of x.
    #[must_use]
    pub fn spread_x(&self) -> f64 {
        if self.count < 1.0 {
            return 0.0;
        }
        let mean = self.x / self.count;
        libm::sqrt((self.xx / self.count - mean * mean).max(0.0))
    }

    /// Slope; `None` when all x are equal.
    #[must_use]
    pub fn slope(&self) -> Option<f64> {
        let width = self.count * self.xx - self.x * self.x;
        (width > 0.0).then(|| (self.count * self.xy - self.x * self.y) / width)
    }

    /// Value at x = 0.
    #[must_use]
    pub fn intercept(&self) -> Option<f64> {
        let slope = self.slope()?;
        Some((self.y - slope * self.x) / self.count)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 4.5 K/h as one-minute temperatures of twenty minutes.
    fn rise() -> Vec<(f64, f64)> {
        (0..20)
            .map(|n| f64::from(n) / 60.0)
            .map(|h| (h, 25.0 + 4.5 * h))
            .collect()
    }

    fn least_squares(points: &[(f64, f64)]) -> f64 {
        let mut line = Line::default();
        for (x, y) in points {
            line.add(*x, *y);
        }
        line.slope().unwrap()
    }

    // Source: closed form; median of all pairwise slopes (Sen 1968), computed with NumPy.
    #[test]
    fn one_outlier_moves_least_squares_but_not_the_median_of_pairs() {
        let mut points = rise();
        assert!((theil_sen(&points).unwrap() - 4.5).abs() < 1e-9);
        assert!((least_squares(&points) - 4.5).abs() < 1e-9);
        points[8].1 = 37.6;
        assert!((theil_sen(&points).unwrap() - 4.5).abs() < 1e-9);
        assert!((least_squares(&points) - 2.875_939_849_624_061_6).abs() < 1e-9);
    }

    // Source: as above, the same rise read to a tenth of a degree.
    #[test]
    fn a_sensor_of_a_tenth_of_a_degree_still_tells_the_slope() {
        let read = [
            25.0, 25.1, 25.2, 25.2, 25.3, 25.4, 25.4, 25.5, 25.6, 25.7, 25.8, 25.8, 25.9, 26.0,
            26.0, 26.1, 26.2, 26.3, 26.4, 26.4,
        ];
        let points: Vec<(f64, f64)> = read
            .iter()
            .zip(0..20)
            .map(|(y, n)| (f64::from(n) / 60.0, *y))
            .collect();
        assert!((theil_sen(&points).unwrap() - 4.499_999_999_999_997).abs() < 1e-9);
        assert!((least_squares(&points) - 4.479_699_248_120_299).abs() < 1e-9);
    }

    // Source: as above, V = 12.9 - 0.012 ln(1 + t/60) at uneven times.
    #[test]
    fn uneven_times_of_a_rest_are_taken_as_they_are() {
        let points: Vec<(f64, f64)> = [
            (0.0, 12.9),
            (7.0, 12.898_676),
            (31.0, 12.895_002),
            (100.0, 12.888_23),
            (101.0, 12.888_155),
            (250.0, 12.880_293),
            (400.0, 12.875_557),
            (777.0, 12.868_374),
            (1200.0, 12.863_466),
        ]
        .iter()
        .map(|(s, v)| (s / 3600.0, *v))
        .collect();
        assert!((theil_sen(&points).unwrap() + 0.170_891_658_536_578_76).abs() < 1e-9);
        assert!((least_squares(&points) + 0.105_681_460_217_743_94).abs() < 1e-9);
    }

    #[test]
    fn too_few_or_too_many_points_have_no_slope() {
        assert_eq!(theil_sen(&[(0.0, 1.0)]), None);
        assert_eq!(theil_sen(&[(1.0, 1.0), (1.0, 2.0)]), None);
        let many: Vec<(f64, f64)> = (0..25).map(|n| (f64::from(n), 1.0)).collect();
        assert_eq!(theil_sen(&many), None);
    }
}
