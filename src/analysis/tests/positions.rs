//! Case temperatures at several positions of one battery.

use super::*;

// Source: DOMAIN 1.2, one position hotter than its neighbours: warn 5 K, abort 10 K. Constructed example.
#[test]
fn one_position_well_above_the_others_is_warned_of_and_then_a_finding_and_never_averaged_away() {
    let apart = |k: f64| {
        let mut analyzer = Analyzer::new(&Rules::default(), agm());
        for n in 0..30 * 6 {
            let charger = Event {
                voltage_v: Some(12.6),
                current_a: Some(2.0),
                case_c: Some(24.0),
                ..Event::at(n * 10_000, DeviceKind::Charger)
            };
            let case_c = Some(24.0 + k);
            let sensor = Event::at(n * 10_000, DeviceKind::Sensor);
            analyzer.push(&charger);
            analyzer.push(&Event { case_c, ..sensor });
        }
        analyzer.report()
    };
    let even = apart(4.0);
    assert_eq!((kinds(&even), even.stop.level), (vec![], StopLevel::None));
    assert_eq!(
        even.thermal.case_c,
        Some(28.0),
        "the hottest position counts"
    );
    let warned = apart(6.0);
    assert_eq!(
        (kinds(&warned), warned.stop.level),
        (vec![], StopLevel::Warn)
    );
    assert!(
        warned.stop.sentence.contains("6.0 K above"),
        "{}",
        warned.stop.sentence
    );
    let hot = apart(11.0);
    assert_eq!(kinds(&hot), [FindingKind::OverTemperature]);
    assert_eq!(hot.stop.level, StopLevel::StopAdvised);
    let evidence = &hot.findings[0].evidence;
    assert!(
        evidence.contains("35.0 degC") && evidence.contains("11.0 K above the others"),
        "{evidence}"
    );
}
