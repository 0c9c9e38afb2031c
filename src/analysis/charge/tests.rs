//! Charge against closed forms and independent sums, and the gap rule at its limits.

use super::*;
use proptest::prelude::*;

const REFERENCE: &str = include_str!(concat!(
    env!("CARGO_MANIFEST_DIR"),
    "/tests/data/physics_integration.csv"
));

#[expect(
    clippy::cast_possible_truncation,
    reason = "hours in ms are far below 2^53"
)]
fn milliseconds(seconds: f64) -> i64 {
    libm::round(seconds * 1000.0) as i64
}

fn point(time_s: f64, volts: f64, amperes: f64) -> Point {
    Point {
        time_ms: milliseconds(time_s),
        voltage_v: Some(volts),
        current_a: Some(amperes),
    }
}

/// Points at whole seconds with 12.6 V: (seconds, amperes).
fn currents(steps: &[(i64, f64)]) -> Vec<Point> {
    steps
        .iter()
        .map(|(seconds, amperes)| point(*seconds as f64, 12.6, *amperes))
        .collect()
}

fn charge_of(steps: &[(i64, f64)]) -> Charge {
    integrate(&currents(steps), &ChargeRules::default())
}

fn close(got: f64, want: f64, tolerance: f64) {
    assert!(
        (got - want).abs() <= tolerance,
        "got {got}, want {want} +- {tolerance}"
    );
}

/// Source: tests/data/README.md, `physics_integration.csv`, relative tolerance 1e-12.
#[test]
fn the_four_reference_curves_integrate_to_their_published_ah_and_wh() {
    let mut cases = 0;
    for block in REFERENCE.split("# ").skip(1) {
        let mut lines = block.lines();
        let head: Vec<&str> = lines.next().unwrap().split(',').collect();
        let (charge_ah, energy_wh): (f64, f64) =
            (head[1].parse().unwrap(), head[2].parse().unwrap());
        let points: Vec<Point> = lines
            .map(|line| {
                let row: Vec<f64> = line.split(',').map(|cell| cell.parse().unwrap()).collect();
                point(row[0], row[2], row[1])
            })
            .collect();
        let charge = integrate(&points, &ChargeRules::default());
        close(charge.ah_net(), charge_ah, charge_ah.abs() * 1e-12);
        close(charge.wh_net(), energy_wh, energy_wh.abs() * 1e-12);
        assert_eq!(
            (charge.open_gap_count, charge.unknown_ms),
            (0, 0),
            "{}",
            head[0]
        );
        assert_eq!(charge.point_count, points.len() as u64);
        cases += 1;
    }
    assert_eq!(cases, 4);
}

/// Source: closed forms beside the same curves: 2 A for 1 h, a ramp to 3 A in 2 h, and a taper
/// 2.5 exp(-t / 5400 s) over 6 h = 3.6813163541672465 Ah.
#[test]
fn the_trapezoid_comes_near_the_closed_form_of_a_taper() {
    let taper: Vec<Point> = (0..=2160_i32)
        .map(|k| f64::from(k) * 10.0)
        .map(|t| point(t, 14.4, 2.5 * libm::exp(-t / 5400.0)))
        .collect();
    let charge = integrate(&taper, &ChargeRules::default());
    close(charge.ah_in, 3.681_316_354_167_246_5, 1e-5);
    close(charge.wh_in, 53.010_955_500_008_35, 2e-4);
}

/// Source: DOMAIN 10 row 33.
#[test]
fn row_33_hourly_currents_give_4_30_ah_and_not_the_5_20_of_a_left_hold() {
    let steps = [
        (0, 2.0),
        (3600, 1.8),
        (7200, 1.0),
        (10_800, 0.4),
        (14_400, 0.2),
    ];
    let charge = charge_of(&steps);
    close(charge.ah_in, 4.30, 0.001);
    close(charge.wh_in, 4.30 * 12.6, 0.001 * 12.6);
    let left_hold: f64 = steps.iter().take(4).map(|(_, amperes)| amperes).sum();
    close(left_hold, 5.20, 0.001);
    assert!((charge.ah_in - left_hold).abs() > 0.8);
}

#[test]
fn discharge_is_counted_apart_and_a_crossing_is_split_where_it_crosses() {
    let charge = charge_of(&[(0, 2.0), (3600, -1.0)]);
    // a line from 2 A to -1 A crosses zero after 40 min: 2 x 2/3 / 2 and 1 x 1/3 / 2
    close(charge.ah_in, 2.0 / 3.0, 1e-12);
    close(charge.ah_out, 1.0 / 6.0, 1e-12);
    close(charge.ah_net(), 0.5, 1e-12);
    close(charge.wh_net(), 0.5 * 12.6, 1e-12);
    let mirrored = charge_of(&[(0, -1.0), (3600, 2.0)]);
    assert_eq!(
        (mirrored.ah_in, mirrored.ah_out),
        (charge.ah_in, charge.ah_out)
    );
}

#[test]
fn a_gap_with_unlike_ends_is_unknown_time_with_bounds() {
    let mut steps: Vec<(i64, f64)> = (0..=60).map(|s| (s, 4.0)).collect();
    steps.extend((0..=60).map(|s| (3660 + s, 1.0)));
    let charge = charge_of(&steps);
    assert_eq!(charge.median_period_ms, Some(1000));
    assert_eq!((charge.open_gap_count, charge.unknown_ms), (1, 3_600_000));
    assert_eq!(
        (charge.observed_ms, charge.duration_ms),
        (120_000, 3_720_000)
    );
    close(charge.ah_net(), 5.0 / 60.0, 1e-12);
    close(charge.ah_net_low, charge.ah_net(), 1e-12);
    close(charge.ah_net_high, charge.ah_net() + 4.0, 1e-12);
}

#[test]
fn a_gap_is_bridged_when_its_ends_differ_by_less_than_a_fifth_or_50_ma() {
    let gap = |before: f64, after: f64| {
        let mut steps: Vec<(i64, f64)> = (0..=60).map(|s| (s, before)).collect();
        steps.extend((0..=60).map(|s| (660 + s, after)));
        charge_of(&steps).open_gap_count
    };
    assert_eq!((gap(2.0, 1.61), gap(2.0, 1.59)), (0, 1));
    assert_eq!((gap(1.61, 2.0), gap(1.59, 2.0)), (0, 1));
    assert_eq!((gap(0.06, 0.02), gap(0.06, 0.005)), (0, 1));
    assert_eq!(gap(-0.02, 0.02), 0);
}

#[test]
fn ten_median_periods_are_no_gap_and_one_ms_more_is() {
    let with_pause = |pause_ms: i64| {
        let rows = (0..10_i64).map(|k| (k * 60_000, 3.0));
        let rows = rows.chain((0..10).map(|k| (540_000 + pause_ms + k * 60_000, 1.0)));
        let points: Vec<Point> = rows
            .map(|(time_ms, amperes)| Point {
                time_ms,
                voltage_v: None,
                current_a: Some(amperes),
            })
            .collect();
        integrate(&points, &ChargeRules::default()).open_gap_count
    };
    assert_eq!((with_pause(600_000), with_pause(600_001)), (0, 1));
}

#[test]
fn an_hour_of_slow_idle_samples_does_not_decide_what_a_gap_is_later() {
    // idle every 600 s, then a charge every 10 s. The jump to 5 A after 610 s and the 5 min hole
    // are gaps at 10 s and none at 600 s; both come before the median has settled
    let mut steps: Vec<(i64, f64)> = (0..6).map(|k| (k * 600, 0.0)).collect();
    steps.extend([(3610, 5.0), (3910, 2.0)]);
    steps.extend((1..400).map(|k| (3910 + k * 10, 2.0)));
    let charge = charge_of(&steps);
    assert_eq!(
        (charge.median_period_ms, charge.open_gap_count),
        (Some(10_000), 2)
    );
    assert_eq!(charge.unknown_ms, 300_000 + 610_000);
}

#[test]
fn a_current_without_voltage_borrows_one_of_the_last_half_minute_only() {
    let blank = |time_s: i64, volts: Option<f64>, amperes: Option<f64>| Point {
        time_ms: time_s * 1000,
        voltage_v: volts,
        current_a: amperes,
    };
    let alternating = [
        blank(0, Some(12.0), None),
        blank(1, None, Some(3.6)),
        blank(20, Some(13.0), None),
        blank(21, None, Some(3.6)),
        blank(61, None, Some(3.6)),
    ];
    let charge = integrate(&alternating, &ChargeRules::default());
    close(charge.ah_in, 0.06, 1e-12);
    close(charge.wh_in, 3.6 * 12.5 * 20.0 / 3600.0, 1e-12);
    assert_eq!((charge.unpowered_ms, charge.unbounded_ms), (40_000, 1000));
    assert_eq!(charge.observed_ms + charge.unknown_ms, charge.duration_ms);
}

#[test]
fn extremes_start_voltage_and_disorder_are_told() {
    let points = [
        Point {
            time_ms: 0,
            voltage_v: Some(11.4),
            current_a: None,
        },
        point(10.0, 14.5, 3.0),
        point(5.0, 99.0, 99.0),
        point(20.0, f64::NAN, f64::INFINITY),
        point(30.0, 12.0, -1.0),
    ];
    let charge = integrate(&points, &ChargeRules::default());
    assert_eq!(
        (charge.start_v, charge.v_min, charge.v_max),
        (Some(11.4), Some(11.4), Some(14.5))
    );
    assert_eq!(
        (charge.i_max, charge.disordered_count, charge.point_count),
        (Some(3.0), 1, 4)
    );
}

#[test]
fn no_point_and_one_point_are_no_charge() {
    assert_eq!(integrate(&[], &ChargeRules::default()), Charge::default());
    let one = charge_of(&[(7, 3.0)]);
    assert_eq!(
        (one.ah_in, one.duration_ms, one.median_period_ms),
        (0.0, 0, None)
    );
}

#[test]
fn memory_stays_bounded_over_many_ragged_intervals() {
    let mut integrator = ChargeIntegrator::new(ChargeRules::default());
    let (mut time_ms, mut state) = (0_i64, 1_u64);
    for k in 0..50_000_u32 {
        state = state
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1);
        time_ms += 1 + i64::try_from(state >> 34).unwrap();
        let current_a = Some(if k % 2 == 0 { 5.0 } else { 1.0 });
        integrator.push(Point {
            time_ms,
            voltage_v: Some(13.0),
            current_a,
        });
    }
    assert!(integrator.pending.len() <= PENDING_MAX);
    assert!(
        integrator.periods.len() <= 31 * 16,
        "{}",
        integrator.periods.len()
    );
    assert_eq!(integrator.finish().point_count, 50_000);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(256))]

    #[test]
    fn pushing_and_asking_in_between_gives_the_bits_of_all_at_once(
        rows in prop::collection::vec(
            (
                prop_oneof![0_i64..3000, 20_000_i64..2_000_000],
                prop::option::of(-1.0..16.0_f64),
                prop::option::of(-5.0..10.0_f64),
            ),
            0..300,
        )
    ) {
        let mut time_ms = 1_700_000_000_000_i64;
        let points: Vec<Point> = rows
            .iter()
            .map(|(step_ms, voltage_v, current_a)| {
                time_ms += step_ms;
                Point { time_ms, voltage_v: *voltage_v, current_a: *current_a }
            })
            .collect();
        let batch = integrate(&points, &ChargeRules::default());
        let mut live = ChargeIntegrator::new(ChargeRules::default());
        for point in &points {
            live.push(*point);
            let _ = live.finish();
        }
        let live = live.clone().finish();
        prop_assert_eq!(format!("{batch:?}"), format!("{live:?}"));
        prop_assert_eq!(batch.ah_in.to_bits(), live.ah_in.to_bits());
        prop_assert_eq!(batch.wh_out.to_bits(), live.wh_out.to_bits());
        prop_assert_eq!(batch.observed_ms + batch.unknown_ms, batch.duration_ms);
        prop_assert!(batch.ah_net_low <= batch.ah_net() && batch.ah_net() <= batch.ah_net_high);
        prop_assert!(batch.unbounded_ms <= batch.unknown_ms);
    }

    #[test]
    fn period_classes_ascend_and_are_at_most_a_sixteenth_wide(ms in 1_i64..400_000_000) {
        prop_assert!(period_class(ms) <= period_class(ms + 1));
        prop_assert!(period_class(ms) < period_class(ms + ms / 16 + 1));
    }
}
