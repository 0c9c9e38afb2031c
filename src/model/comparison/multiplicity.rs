//! P values corrected for looking at many shops at once.

/// Share of false entries that the list "worth a look" accepts. Source: STATISTICS 7.
pub const FALSE_SHARE: f64 = 0.10;

/// How p values are corrected.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Correction {
    /// Holds the expected share of false entries; Benjamini and Hochberg 1995.
    BenjaminiHochberg,
    /// The same under any dependence; Benjamini and Yekutieli 2001.
    BenjaminiYekutieli,
    /// Holds the chance of any false entry; Holm 1979.
    Holm,
}

/// Gives the corrected p values in the order given. Values outside 0..=1 count as the nearer end.
///
/// Checked against R p.adjust to 1e-12.
#[must_use]
pub fn corrected(p_values: &[f64], correction: Correction) -> Vec<f64> {
    let count = p_values.len();
    let mut order: Vec<(usize, f64)> = p_values
        .iter()
        .map(|p| p.clamp(0.0, 1.0))
        .enumerate()
        .collect();
    order.sort_by(|a, b| a.1.total_cmp(&b.1).then(a.0.cmp(&b.0)));
    let harmonic: f64 = (1..=count).map(|k| 1.0 / k as f64).sum();
    let factor = |rank: usize| match correction {
        Correction::BenjaminiHochberg => count as f64 / rank as f64,
        Correction::BenjaminiYekutieli => harmonic * count as f64 / rank as f64,
        Correction::Holm => (count + 1 - rank) as f64,
    };
    let scaled = (1..).zip(&order).map(|(rank, (_, p))| p * factor(rank));
    let mut steps: Vec<f64> = scaled.map(|p| p.min(1.0)).collect();
    // Holm must never fall with the rank, the others never rise above a later one.
    if correction == Correction::Holm {
        let mut highest = 0.0_f64;
        for p in &mut steps {
            highest = highest.max(*p);
            *p = highest;
        }
    } else {
        let mut lowest = 1.0_f64;
        for p in steps.iter_mut().rev() {
            lowest = lowest.min(*p);
            *p = lowest;
        }
    }
    let mut placed: Vec<(usize, f64)> = order.iter().map(|entry| entry.0).zip(steps).collect();
    placed.sort_by_key(|entry| entry.0);
    placed.into_iter().map(|entry| entry.1).collect()
}

/// Tells which entries belong on the list "worth a look": Benjamini-Hochberg at this share.
#[must_use]
pub fn worth_a_look(p_values: &[f64], false_share: f64) -> Vec<bool> {
    let corrected = corrected(p_values, Correction::BenjaminiHochberg);
    corrected.into_iter().map(|p| p <= false_share).collect()
}
