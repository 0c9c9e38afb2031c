//! Every threshold of the analysis: value, unit, range, source and what a change does.
//!
//! A shop or a battery model may override single values; a key or a value outside its range is
//! refused. Voltages are those of a 12 V pack (six cells) unless the unit says otherwise.

use std::collections::BTreeMap;

mod table;

pub use table::Rules;

/// Version of the thresholds; a changed default changes it.
pub const RULES_VERSION: &str = "signals-1";

/// One threshold as people read it.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct RuleRow {
    /// Name, as overrides spell it.
    pub key: &'static str,
    /// Default.
    pub value: f64,
    /// Unit of the value.
    pub unit: &'static str,
    /// Least value an override may give.
    pub min: f64,
    /// Largest value an override may give.
    pub max: f64,
    /// Where the default comes from.
    pub source: &'static str,
    /// What a change does.
    pub effect: &'static str,
}

impl RuleRow {
    /// Whether the default was measured on charges; the others are published or chosen.
    #[must_use]
    pub fn measured(&self) -> bool {
        self.source.starts_with("SIGNALS")
    }

    /// Whether it is a published limit above which people are called: it may be made stricter only.
    #[must_use]
    pub fn is_limit(&self) -> bool {
        let heads = [
            "case_",
            "ceiling_",
            "ambient_",
            "overrun_",
            "heat_limit_",
            "limit_heating_",
            "position_",
        ];
        heads.iter().any(|head| self.key.starts_with(head))
    }
}

/// Why an override was refused.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum RuleError {
    /// No threshold has this name.
    #[error("no rule is called `{key}`; the nearest is `{nearest}`")]
    UnknownKey {
        /// As given.
        key: String,
        /// The known key that shares most letters at its start.
        nearest: &'static str,
    },
    /// The value is no number or outside its range.
    #[error("{key} = {value} is outside {min} to {max} {unit}")]
    OutOfRange {
        /// Which threshold.
        key: &'static str,
        /// As given.
        value: f64,
        /// Least.
        min: f64,
        /// Largest.
        max: f64,
        /// Unit.
        unit: &'static str,
    },
    /// A limit would be told later than published.
    #[error(
        "{key} = {value} {unit} is looser than the published {limit}: it can be made stricter only"
    )]
    LooserThanPublished {
        /// Which threshold.
        key: &'static str,
        /// As given.
        value: f64,
        /// The default.
        limit: f64,
        /// Unit.
        unit: &'static str,
    },
}

impl Rules {
    /// These thresholds with some of them changed.
    ///
    /// # Errors
    /// `UnknownKey`, `OutOfRange` and `LooserThanPublished`; nothing is changed then.
    pub fn with(&self, overrides: &BTreeMap<String, f64>) -> Result<Self, RuleError> {
        let mut changed = *self;
        for (key, value) in overrides {
            let Some(row) = Self::rows().into_iter().find(|row| row.key == key) else {
                return Err(RuleError::UnknownKey {
                    key: key.clone(),
                    nearest: nearest(key),
                });
            };
            if !(row.min..=row.max).contains(value) {
                return Err(RuleError::OutOfRange {
                    key: row.key,
                    value: *value,
                    min: row.min,
                    max: row.max,
                    unit: row.unit,
                });
            }
            if row.is_limit() && *value > row.value {
                return Err(RuleError::LooserThanPublished {
                    key: row.key,
                    value: *value,
                    limit: row.value,
                    unit: row.unit,
                });
            }
            changed.set(row.key, *value);
        }
        Ok(changed)
    }

    /// The version, and which values differ from it: `signals-1, changed: float_drop_v=0.3`.
    #[must_use]
    pub fn version(&self) -> String {
        let changed: Vec<String> = Self::rows()
            .into_iter()
            .filter_map(|row| {
                let value = self.get(row.key)?;
                (value.to_bits() != row.value.to_bits()).then(|| format!("{}={value}", row.key))
            })
            .collect();
        if changed.is_empty() {
            return RULES_VERSION.to_owned();
        }
        format!("{RULES_VERSION}, changed: {}", changed.join(" "))
    }
}

/// The key with the longest common start.
fn nearest(key: &str) -> &'static str {
    let common = |row: &RuleRow| {
        let pairs = row.key.chars().zip(key.chars());
        pairs.take_while(|(a, b)| a == b).count()
    };
    let best = Rules::rows().into_iter().max_by_key(common);
    best.map_or("", |row| row.key)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn one(key: &str, value: f64) -> BTreeMap<String, f64> {
        BTreeMap::from([(key.to_owned(), value)])
    }

    #[test]
    fn every_threshold_has_a_value_inside_its_range_and_says_where_it_comes_from() {
        let rows = Rules::rows();
        for row in &rows {
            assert!((row.min..=row.max).contains(&row.value), "{}", row.key);
            assert!(
                !row.unit.is_empty() && !row.source.is_empty(),
                "{}",
                row.key
            );
            assert!(row.effect.len() > 10, "{}", row.key);
        }
        let mut keys: Vec<&str> = rows.iter().map(|row| row.key).collect();
        keys.sort_unstable();
        keys.dedup();
        assert_eq!(keys.len(), rows.len());
    }

    #[test]
    fn an_override_changes_one_value_and_shows_in_the_version() {
        let rules = Rules::default();
        assert_eq!(rules.version(), "signals-1");
        let changed = rules.with(&one("float_drop_v", 0.3)).unwrap();
        assert_eq!(changed.version(), "signals-1, changed: float_drop_v=0.3");
        assert_eq!(rules.float_drop_v.to_bits(), 0.25_f64.to_bits());
    }

    #[test]
    fn a_published_limit_can_be_made_stricter_only() {
        let rules = Rules::default();
        assert!(rules.with(&one("case_stop_vrla_c", 42.0)).is_ok());
        let looser = rules.with(&one("case_stop_vrla_c", 45.0)).unwrap_err();
        assert!(looser.to_string().contains("stricter only"), "{looser}");
        for row in Rules::rows().iter().filter(|row| row.is_limit()) {
            assert!(
                row.max >= row.value && !row.measured() || row.key == "limit_heating_min",
                "{}",
                row.key
            );
        }
    }

    #[test]
    fn wrong_names_and_values_are_refused_with_a_way_out() {
        let rules = Rules::default();
        let unknown = rules.with(&one("float_drop", 0.3)).unwrap_err();
        assert!(unknown.to_string().contains("`float_drop_v`"), "{unknown}");
        let outside = rules.with(&one("float_drop_v", f64::NAN)).unwrap_err();
        assert!(outside.to_string().contains("to 2 V"), "{outside}");
    }
}
