//! Comparable past cases: shown as stories beside an answer, never used for its chance.
//!
//! Built once from a group's cases and asked for each answer. Cases that share all but their
//! numbers lie together in the order of their voltage, so that a search reads only the stretches
//! that can hold a nearer one.

use crate::record::words::{Chemistry, TesterState};

/// Below this voltage a volt says less. Source: STATISTICS 5.
const LOW_V: f64 = 8.0;

/// Volts of one unit of distance above [`LOW_V`]. Source: STATISTICS 5.
const HIGH_UNIT_V: f64 = 0.8;

/// Volts of one unit of distance below [`LOW_V`]. Source: STATISTICS 5.
const LOW_UNIT_V: f64 = 1.5;

/// Logarithm of 1 + months that makes one unit. Source: STATISTICS 5.
const MONTHS_UNIT: f64 = 0.5;

/// Months of age that make one unit. Source: STATISTICS 5.
const AGE_UNIT_MONTHS: f64 = 18.0;

/// Most cases that are shown. Source: STATISTICS 5.
pub const SHOWN_MAX: usize = 10;

/// Distance beyond which a case is not comparable: without one within it, an answer
/// extrapolates. Source: STATISTICS 5.
pub const DISTANCE_MAX: f64 = 2.0;

/// What makes cases alike.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Traits {
    /// Rest voltage at intake on the 12 V scale, V.
    pub v12: f64,
    /// Months since the last full charge; `None` when not known.
    pub months: Option<f64>,
    /// Age, months; `None` when not known.
    pub age_months: Option<f64>,
    /// Chemistry; enhanced flooded counts as flooded.
    pub chemistry: Chemistry,
    /// What the tester did.
    pub tester: TesterState,
}

/// A past attempt with its outcome.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PastCase {
    /// The caller's number of the case: decides the order of equally near ones.
    pub id: u64,
    /// What makes it like others.
    pub traits: Traits,
    /// What came of it.
    pub recovered: bool,
}

/// A past case near the one asked about.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Near {
    /// The caller's number of the case.
    pub id: u64,
    /// Distance in units, 0 to [`DISTANCE_MAX`].
    pub distance: f64,
    /// What came of it.
    pub recovered: bool,
}

/// Traits on scales on which one unit counts the same.
#[derive(Debug, Clone, Copy)]
struct Place {
    voltage: f64,
    months: Option<f64>,
    age: Option<f64>,
    chemistry: Chemistry,
    tester: TesterState,
}

impl Place {
    fn of(traits: &Traits) -> Self {
        let known = |value: Option<f64>| value.filter(|value| value.is_finite());
        let v = traits.v12;
        Self {
            voltage: v.min(LOW_V) / LOW_UNIT_V + (v - LOW_V).max(0.0) / HIGH_UNIT_V,
            months: known(traits.months).map(|m| libm::log1p(m.max(0.0)) / MONTHS_UNIT),
            age: known(traits.age_months).map(|age| age / AGE_UNIT_MONTHS),
            chemistry: match traits.chemistry {
                Chemistry::EnhancedFlooded => Chemistry::Flooded,
                other => other,
            },
            tester: traits.tester,
        }
    }

    /// What decides in which stretch a case lies.
    fn kind(&self) -> Kind {
        (
            self.chemistry,
            self.tester,
            self.months.is_some(),
            self.age.is_some(),
        )
    }

    /// Distance of two places; infinite between lithium and lead.
    fn distance(&self, other: &Self) -> f64 {
        base(self.kind(), other.kind())
            + (self.voltage - other.voltage).abs()
            + gap(self.months, other.months)
            + gap(self.age, other.age)
    }
}

/// Chemistry, tester, whether months and age are known.
type Kind = (Chemistry, TesterState, bool, bool);

/// Part of the distance that two kinds have whatever their numbers are.
fn base(one: Kind, other: Kind) -> f64 {
    if (one.0 == Chemistry::Lifepo4) != (other.0 == Chemistry::Lifepo4) {
        return f64::INFINITY;
    }
    let differ = [
        one.0 != other.0,
        one.1 != other.1,
        one.2 != other.2,
        one.3 != other.3,
    ];
    f64::from(differ.map(u8::from).iter().sum::<u8>())
}

/// Distance of two numbers when both are known; what is unknown counts in [`base`].
fn gap(one: Option<f64>, other: Option<f64>) -> f64 {
    match (one, other) {
        (Some(one), Some(other)) => (one - other).abs(),
        _ => 0.0,
    }
}

/// Distance of two cases in units, a sum over traits as Gower's.
///
/// 0.8 V (1.5 V below 8 V), half of a logarithm of months and 18 months of age are a unit each;
/// another chemistry or another state of the tester is one, and so is a number that only one of
/// the two has (our choice). Infinite between lithium and lead.
///
/// Source: STATISTICS 5; the sum, not the mean, is our reading.
#[must_use]
pub fn distance(one: &Traits, other: &Traits) -> f64 {
    Place::of(one).distance(&Place::of(other))
}

/// One past case as it lies in its stretch.
#[derive(Debug, Clone, Copy)]
struct Lying {
    place: Place,
    id: u64,
    recovered: bool,
}

/// Past cases, ready for searching.
#[derive(Debug, Clone, Default)]
pub struct PastCases {
    /// Cases of one kind each, in the order of their voltage.
    stretches: Vec<(Kind, Vec<Lying>)>,
}

impl PastCases {
    /// Sorts cases for searching. Cases whose voltage is no number are left out.
    #[must_use]
    pub fn new(cases: &[PastCase]) -> Self {
        let mut all: Vec<Lying> = cases
            .iter()
            .map(|case| Lying {
                place: Place::of(&case.traits),
                id: case.id,
                recovered: case.recovered,
            })
            .filter(|case| case.place.voltage.is_finite())
            .collect();
        all.sort_by(|a, b| {
            let kinds = a.place.kind().cmp(&b.place.kind());
            let voltages = a.place.voltage.total_cmp(&b.place.voltage);
            kinds.then(voltages).then(a.id.cmp(&b.id))
        });
        let stretches = all
            .chunk_by(|a, b| a.place.kind() == b.place.kind())
            .filter_map(|stretch| Some((stretch.first()?.place.kind(), stretch.to_vec())));
        Self {
            stretches: stretches.collect(),
        }
    }

    /// Number of cases.
    #[must_use]
    pub fn len(&self) -> usize {
        self.stretches.iter().map(|stretch| stretch.1.len()).sum()
    }

    /// True without cases.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.stretches.is_empty()
    }

    /// Finds the nearest cases within [`DISTANCE_MAX`], at most [`SHOWN_MAX`], nearest first.
    ///
    /// Among equally near ones the lower number comes first. None means that an answer for these
    /// traits extrapolates.
    #[must_use]
    pub fn nearest(&self, traits: &Traits) -> Vec<Near> {
        let place = Place::of(traits);
        let mut found: Vec<Near> = Vec::with_capacity(SHOWN_MAX + 1);
        if !place.voltage.is_finite() {
            return found;
        }
        let mut stretches: Vec<(f64, &[Lying])> = self
            .stretches
            .iter()
            .map(|(kind, cases)| (base(place.kind(), *kind), cases.as_slice()))
            .collect();
        stretches.sort_by(|a, b| a.0.total_cmp(&b.0));
        for (base, cases) in stretches {
            if base > reach(&found) {
                break;
            }
            search(cases, base, &place, &mut found);
        }
        found
    }
}

/// Looks through one stretch from the voltage asked about outward, on both sides.
fn search(cases: &[Lying], base: f64, place: &Place, found: &mut Vec<Near>) {
    let split = cases.partition_point(|case| case.place.voltage < place.voltage);
    let (below, above) = cases.split_at_checked(split).unwrap_or_default();
    let (mut down, mut up) = (below.iter().rev().peekable(), above.iter().peekable());
    let away = |case: Option<&&Lying>| {
        case.map_or(f64::INFINITY, |case| {
            (case.place.voltage - place.voltage).abs()
        })
    };
    loop {
        // The side whose next case is nearer in voltage goes on.
        let (away_down, away_up) = (away(down.peek()), away(up.peek()));
        if base + away_down.min(away_up) > reach(found) {
            break;
        }
        let next = if away_down <= away_up {
            down.next()
        } else {
            up.next()
        };
        let Some(case) = next else {
            break;
        };
        let distance = place.distance(&case.place);
        if distance <= reach(found) {
            insert(
                found,
                Near {
                    id: case.id,
                    distance,
                    recovered: case.recovered,
                },
            );
        }
    }
}

/// Distance up to which a further case can still be among the nearest.
fn reach(found: &[Near]) -> f64 {
    match found.last() {
        Some(last) if found.len() >= SHOWN_MAX => last.distance,
        _ => DISTANCE_MAX,
    }
}

/// Puts a case in its place and drops what is too many.
fn insert(found: &mut Vec<Near>, near: Near) {
    let at = found.partition_point(|other| {
        let order = other.distance.total_cmp(&near.distance);
        order.then(other.id.cmp(&near.id)).is_lt()
    });
    found.insert(at, near);
    found.truncate(SHOWN_MAX);
}

/// Share recovered among near cases, the nearer counting more: weight `exp(-distance^2 / 2)`.
///
/// The kernel is our choice. `None` without cases.
#[must_use]
pub fn kernel_rate(near: &[Near]) -> Option<f64> {
    let (mut hits, mut total) = (0.0, 0.0);
    for case in near {
        let weight = libm::exp(-0.5 * case.distance * case.distance);
        total += weight;
        hits += weight * f64::from(u8::from(case.recovered));
    }
    (total > 0.0).then(|| hits / total)
}

/// Equivalent number of similar batteries below which an answer extrapolates. Source: STATISTICS 5.
pub const EQUIVALENT_COUNT_MIN: f64 = 12.0;

/// Share attempted of a cell below which an answer extrapolates. Source: STATISTICS 5.
pub const SHARE_ATTEMPTED_MIN: f64 = 0.05;

/// Tells whether an answer reaches beyond what was seen.
///
/// `equivalent_count` is the number of similar batteries its chance is worth, `near` the nearest
/// cases, `share_attempted` the share of presented batteries of its cell that were attempted;
/// `None` when that is not counted.
#[must_use]
pub fn extrapolates(equivalent_count: f64, near: &[Near], share_attempted: Option<f64>) -> bool {
    equivalent_count < EQUIVALENT_COUNT_MIN
        || near.is_empty()
        || share_attempted.is_some_and(|share| share < SHARE_ATTEMPTED_MIN)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const TRAITS: Traits = Traits {
        v12: 11.4,
        months: Some(3.0),
        age_months: Some(36.0),
        chemistry: Chemistry::Flooded,
        tester: TesterState::Ok,
    };

    fn near(found: f64, expected: f64) {
        assert!((found - expected).abs() < 1e-12, "{found} {expected}");
    }

    #[test]
    fn each_trait_counts_by_its_unit() {
        let from = |other: Traits| distance(&TRAITS, &other);
        let volts = |v12| Traits { v12, ..TRAITS };
        near(from(volts(12.2)), 1.0);
        near(distance(&volts(2.0), &volts(5.0)), 2.0);
        // From 7.25 to 8 V half a unit, from there to 8.8 V one.
        near(distance(&volts(7.25), &volts(8.8)), 1.5);
        let months = |months| Traits { months, ..TRAITS };
        near(from(months(Some(7.0))), 2.0 * std::f64::consts::LN_2);
        near(from(months(None)), 1.0);
        near(distance(&months(None), &months(None)), 0.0);
        near(
            from(Traits {
                age_months: Some(63.0),
                ..TRAITS
            }),
            1.5,
        );
        let chemistry = |chemistry| Traits {
            chemistry,
            ..TRAITS
        };
        near(from(chemistry(Chemistry::Agm)), 1.0);
        near(from(chemistry(Chemistry::EnhancedFlooded)), 0.0);
        assert!(from(chemistry(Chemistry::Lifepo4)).is_infinite());
        near(
            from(Traits {
                tester: TesterState::NoPowerUp,
                ..TRAITS
            }),
            1.0,
        );
    }

    #[test]
    fn the_kernel_rate_leans_to_the_nearer_cases() {
        let case = |distance, recovered| Near {
            id: 0,
            distance,
            recovered,
        };
        // 1 / (1 + e^-.5) = .622459331.
        let found = kernel_rate(&[case(0.0, true), case(1.0, false)]).unwrap();
        near(found, 1.0 / (1.0 + libm::exp(-0.5)));
        assert_eq!(kernel_rate(&[]), None);
    }

    #[test]
    fn nothing_near_is_said_by_an_empty_list() {
        let far = PastCase {
            id: 1,
            traits: Traits { v12: 2.0, ..TRAITS },
            recovered: true,
        };
        let cases = PastCases::new(&[far]);
        assert_eq!((cases.len(), cases.is_empty()), (1, false));
        assert_eq!(cases.nearest(&TRAITS), []);
        let nan = Traits {
            v12: f64::NAN,
            ..TRAITS
        };
        assert_eq!(cases.nearest(&nan), []);
        assert!(PastCases::default().is_empty());
    }

    #[test]
    fn an_answer_extrapolates_without_support_of_any_kind() {
        let near = [Near {
            id: 1,
            distance: 1.9,
            recovered: false,
        }];
        assert!(!extrapolates(12.0, &near, Some(0.05)));
        assert!(!extrapolates(12.0, &near, None));
        assert!(extrapolates(11.9, &near, Some(0.5)));
        assert!(extrapolates(40.0, &[], Some(0.5)));
        assert!(extrapolates(40.0, &near, Some(0.049)));
    }

    /// A case of any traits on a coarse grid, so that ties occur.
    fn case() -> impl Strategy<Value = Traits> {
        let months = proptest::option::of((0..12_u8).prop_map(f64::from));
        let age = proptest::option::of((0..9_u8).prop_map(|years| 12.0 * f64::from(years)));
        let chemistry = prop_oneof![Just(Chemistry::Flooded), Just(Chemistry::Agm)];
        let tester = prop_oneof![Just(TesterState::Ok), Just(TesterState::NotTested)];
        ((0..26_u8), months, age, chemistry, tester).prop_map(
            |(half_volts, months, age_months, chemistry, tester)| Traits {
                v12: f64::from(half_volts) / 2.0,
                months,
                age_months,
                chemistry,
                tester,
            },
        )
    }

    proptest! {
        #[test]
        fn the_search_finds_what_a_look_at_every_case_finds(
            all in proptest::collection::vec((case(), any::<bool>()), 0..120), asked in case(),
        ) {
            let cases: Vec<PastCase> = (0..)
                .zip(all)
                .map(|(id, (traits, recovered))| PastCase { id, traits, recovered })
                .collect();
            let mut expected: Vec<Near> = cases
                .iter()
                .map(|case| Near {
                    id: case.id,
                    distance: distance(&asked, &case.traits),
                    recovered: case.recovered,
                })
                .filter(|near| near.distance <= DISTANCE_MAX)
                .collect();
            expected.sort_by(|a, b| a.distance.total_cmp(&b.distance).then(a.id.cmp(&b.id)));
            expected.truncate(SHOWN_MAX);
            prop_assert_eq!(PastCases::new(&cases).nearest(&asked), expected);
        }
    }
}
