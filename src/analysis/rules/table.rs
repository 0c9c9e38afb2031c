//! The table of thresholds.

use super::RuleRow;

macro_rules! rules {
    ($($key:ident = $value:literal $unit:literal [$min:literal, $max:literal]
       $source:literal $effect:literal;)+) => {
        /// The thresholds of one analysis. Defaults are the table of this file.
        #[derive(Debug, Clone, Copy, PartialEq)]
        pub struct Rules {
            $(#[doc = concat!("Unit: ", $unit, ". Source: ", $source, ". ", $effect, ".")]
              pub(crate) $key: f64,)+
        }

        impl Default for Rules {
            fn default() -> Self {
                Self { $($key: $value),+ }
            }
        }

        impl Rules {
            /// Every threshold with its default.
            #[must_use]
            pub fn rows() -> Vec<RuleRow> {
                vec![$(RuleRow {
                    key: stringify!($key), value: $value, unit: $unit, min: $min, max: $max,
                    source: $source, effect: $effect,
                }),+]
            }

            /// The value of a threshold; `None` when no threshold has this name.
            #[must_use]
            pub fn get(&self, key: &str) -> Option<f64> {
                $(if key == stringify!($key) { return Some(self.$key); })+
                None
            }

            pub(super) fn set(&mut self, key: &str, value: f64) {
                $(if key == stringify!($key) { self.$key = value; })+
            }
        }
    };
}

rules! {
    on_share_c = 0.004 "C20" [0.0005, 0.05] "SIGNALS 5, open" "larger: a trickle no longer counts as charge";
    on_floor_a = 0.03 "A" [0.005, 1.0] "field record: idle reads within 0.033 A of zero" "larger: idle noise is never taken for charge";
    on_unknown_a = 0.05 "A" [0.005, 1.0] "our choice for a battery of unknown size" "larger: a trickle no longer counts as charge";
    at_limit_v = 13.9 "V at 12 V" [13.0, 15.0] "SIGNALS 5" "higher: fewer minutes count as at the voltage limit";
    gap_lost_s = 60.0 "s" [10.0, 3600.0] "ARCHITECTURE 12" "larger: silence is told later";
    gap_lost_periods = 3.0 "periods" [2.0, 100.0] "ARCHITECTURE 12" "larger: silence is told later";
    wrong_unit_v = 100.0 "V" [41.0, 1000.0] "SIGNALS 5: millivolts sent as volts" "lower: risks taking a high pack for a slip";
    spike_v = 1.5 "V at 12 V" [0.2, 10.0] "our choice" "smaller: more single samples count as spikes";
    stationary_v = 0.045 "V at 12 V" [0.005, 0.2] "SIGNALS 5" "larger: slow bulk looks like a plateau";
    stationary_min = 10.0 "min" [3.0, 30.0] "SIGNALS 5" "longer: plateaus are seen later";
    plateau_min_v = 13.0 "V at 12 V" [12.0, 15.0] "SIGNALS 5" "lower: rest may look like a plateau";
    plateau_band_v = 0.035 "V at 12 V" [0.005, 0.2] "SIGNALS 5" "larger: plateaus last longer";
    plateau_fall_share = 0.07 "share" [0.01, 0.5] "SIGNALS 5" "larger: plateaus need more taper";
    plateau_drop_share = 0.15 "share" [0.01, 0.9] "SIGNALS 5: below 85 % of the current before" "larger: plateaus need more taper";
    float_drop_v = 0.25 "V at 12 V" [0.05, 2.0] "SIGNALS 5" "larger: a near lower plateau is still absorption";
    float_max_v = 14.0 "V at 12 V and 25 degC" [13.0, 15.0] "our choice: a second absorption after a low-rate recovery is higher" "lower: float is called absorption";
    float_idle_min_v = 13.3 "V at 12 V and 25 degC" [12.8, 14.0] "DOMAIN 3.1: float 13.2 to 13.8, dry ones rest up to 13.2" "lower: rest with surface charge looks like float";
    float_idle_flat_v = 0.006 "V at 12 V" [0.001, 0.05] "our choice: a held voltage moves by its last digit" "larger: slow decay looks like float";
    tempco_v_per_k = 0.018 "V/K at 12 V" [0.0, 0.06] "DOMAIN 3.1: 3 mV per degC and cell" "larger: ceilings move more with temperature";
    equalise_v = 14.95 "V at 12 V" [14.0, 17.0] "SIGNALS 5" "higher: mild equalising is called absorption";
    equalise_rise_v = 0.3 "V at 12 V" [0.05, 2.0] "our choice: an equalise lies above the absorption before it" "larger: mild equalising is called absorption";
    low_start_v = 10.5 "V at 12 V" [6.0, 12.0] "DOMAIN 3.2" "lower: the start stage ends sooner";
    low_start_share_c = 0.065 "C20" [0.01, 0.5] "DOMAIN 3.2: at most 0.05 C, with 30 % tolerance" "larger: a strong charge of a lost cell is called start stage";
    step_min_a = 0.3 "A" [0.05, 50.0] "our choice" "smaller: noise enters the resistance";
    step_min_share_c = 0.02 "C20" [0.002, 0.5] "our choice" "smaller: noise enters the resistance";
    step_period_max_s = 1.1 "s" [0.05, 1.5] "SIGNALS 5: period of 1 s and no more, 10 % jitter" "larger: polarisation enters the resistance";
    theil_sen_min = 20.0 "min" [5.0, 60.0] "SIGNALS 5" "longer: slower, steadier slopes";
    not_started_v = 7.0 "V at 12 V" [2.0, 10.0] "SIGNALS 5" "higher: more flat batteries are told";
    not_started_min = 2.0 "min" [0.5, 60.0] "SIGNALS 6: median time to flag" "longer: told later";
    open_share_c = 0.004 "C20" [0.0005, 0.02] "SIGNALS 5" "larger: hard sulfate is called open";
    open_min = 2.0 "min" [0.5, 30.0] "SIGNALS 5" "longer: told later";
    open_total_c = 0.01 "C20" [0.001, 0.05] "SIGNALS 5" "larger: an open circuit may have passed more";
    toggle_v = 0.15 "V at 12 V" [0.03, 2.0] "our choice: ten times the quantisation" "smaller: noise counts as a jump";
    toggle_share = 0.25 "share of current" [0.05, 0.9] "our choice" "smaller: noise counts as a jump";
    toggle_count = 5.0 "jumps and returns" [2.0, 100.0] "SIGNALS 5" "more: a loose clamp is told later";
    toggle_per_h = 1.5 "1/h" [0.1, 60.0] "SIGNALS 5" "larger: rare contact loss is not told";
    open_toggle_share = 0.8 "share" [0.3, 1.0] "our choice: an open cell drops to nothing, a clamp mostly does not" "larger: an intermittent cell is called a clamp";
    contact_spread_ohm = 0.10 "Ohm" [0.01, 5.0] "SIGNALS 5" "smaller: more clamps are told";
    contact_judge_min = 60.0 "min" [10.0, 240.0] "SIGNALS 6" "earlier: fewer pairs of both instruments";
    band_low_v = 1.90 "V per cell" [1.7, 2.1] "SIGNALS 5" "lower: wider band of lost cells";
    band_high_v = 2.26 "V per cell" [2.1, 2.5] "SIGNALS 5" "higher: deep discharged batteries are called shorted";
    rest_cell_low_v = 1.80 "V per cell" [1.6, 2.0] "DOMAIN 1.1" "lower: fewer live cells are counted";
    rest_cell_high_v = 2.16 "V per cell" [2.1, 2.3] "DOMAIN 1.1, 10 mV for the meter" "higher: fewer live cells are counted";
    short_min = 30.0 "min" [10.0, 240.0] "SIGNALS 5" "longer: told later";
    short_outside_min = 120.0 "min" [30.0, 480.0] "SIGNALS 5" "longer: told later";
    short_flat_v_per_h = 0.6 "V/h" [0.05, 3.0] "SIGNALS 5" "larger: rising voltages count as flat";
    short_current_c = 0.02 "C20" [0.005, 0.2] "our choice: a band without current says nothing" "larger: slow charges are not judged";
    short_full_share = 0.8 "share of missing Ah" [0.3, 3.0] "SIGNALS 5" "larger: told later";
    short_full_share_outside = 1.25 "share of missing Ah" [0.5, 3.0] "SIGNALS 5" "larger: told later";
    short_full_v = 14.05 "V at 12 V" [13.0, 14.4] "SIGNALS 5: 14.0 to 14.25" "higher: healthy ones near their limit are told";
    short_full_min_v = 12.6 "V at 12 V" [11.5, 13.5] "our choice for SIGNALS 2: plateaus of 13.2 to 14.0" "lower: deep discharged ones are told";
    short_full_least_c = 0.30 "C20" [0.05, 0.6] "our choice: five full cells miss nothing" "larger: told later";
    short_full_flat_v = 0.04 "V at 12 V in 40 min" [0.005, 0.3] "our choice for SIGNALS 5 flat" "larger: slow rise counts as flat";
    fell_held_max_v = 14.0 "V at 12 V" [13.0, 14.4] "SIGNALS 5, C" "higher: soft shorts are told as shorted";
    fell_max_v = 14.25 "V at 12 V" [13.0, 15.0] "SIGNALS 5: 14.0 to 14.25" "higher: soft shorts are told as shorted";
    several_min = 120.0 "min" [30.0, 600.0] "unmeasured" "longer: told later";
    several_share_c = 0.20 "C20" [0.05, 1.0] "unmeasured; a reversed cell turns earlier" "larger: told later";
    reversed_low_v = 6.3 "V at 12 V" [3.0, 9.0] "SIGNALS 5" "lower: deep discharged ones are called reversed";
    reversed_high_v = 9.6 "V at 12 V" [8.0, 10.8] "SIGNALS 5" "higher: shorted ones are called reversed";
    reversed_below_v = 10.6 "V at 12 V" [9.0, 11.5] "SIGNALS 5" "higher: shorter waits count";
    reversed_wait_min = 12.0 "min" [3.0, 120.0] "SIGNALS 5" "shorter: deep discharged ones are called reversed";
    reversed_step_v = 1.3 "V" [0.5, 3.0] "SIGNALS 5" "smaller: deep discharged ones are called reversed";
    reversed_step_min = 20.0 "min" [5.0, 60.0] "SIGNALS 5" "longer: slow wakers are called reversed";
    sulfate_limit_share = 0.35 "share of the first hour" [0.1, 1.0] "SIGNALS 5" "larger: fewer are told";
    sulfate_current_c = 0.055 "C20" [0.01, 0.2] "SIGNALS 5" "larger: healthy ones are told";
    sulfate_cold_per_k = 0.03 "1/K" [0.0, 0.1] "SIGNALS 5" "larger: cold batteries are told less";
    sulfate_accept_c = 0.05 "C20 in 60 min" [0.01, 0.2] "SIGNALS 5" "larger: healthy ones are told";
    sulfate_start_max_v = 12.5 "V at 12 V" [12.0, 13.0] "SIGNALS 5: not above 75 % charged" "higher: full batteries are told";
    sulfate_first_max_v = 12.75 "V at 12 V" [12.0, 13.5] "our choice: voltage under charge is above the rested one" "higher: full batteries are told";
    weak_cca_share = 0.65 "share of rated" [0.2, 0.95] "SIGNALS 5, dry-out" "larger: more count as weak";
    stop_60_c = 0.03 "C20" [0.005, 0.2] "SIGNALS 5" "larger: more are stopped at 60 min";
    stop_120_c = 0.05 "C20" [0.005, 0.3] "SIGNALS 5" "larger: more are stopped at 120 min";
    stop_240_c = 0.085 "C20" [0.005, 0.4] "SIGNALS 5" "larger: more are stopped at 240 min";
    stop_current_c = 0.03 "C20" [0.005, 0.1] "SIGNALS 5" "larger: more are stopped";
    stop_growth_c_per_h = 0.0025 "C20 per h" [0.0, 0.05] "SIGNALS 5" "smaller: waking ones are stopped";
    no_current_a_share = 0.002 "C20" [0.0, 0.02] "our choice for no measurable current, DOMAIN 1.2" "larger: published hours apply to more";
    waking_start_v = 10.8 "V at 12 V" [9.0, 11.8] "DOMAIN 0.1: six cells of the weakest acid rest there" "higher: plain discharge is called exhausted";
    waking_v = 11.4 "V at 12 V" [11.0, 12.5] "SIGNALS 5: above the band of five cells" "lower: shorted ones are called waking";
    waking_max_v = 13.5 "V at 12 V" [12.5, 14.4] "our choice: sulfate leaps above" "higher: sulfated ones are called waking";
    waking_gain_v = 0.25 "V at 12 V in 20 min" [0.05, 1.0] "our choice: full cells beside a lost one rise faster" "larger: shorted ones are called waking";
    waking_min = 20.0 "min" [5.0, 120.0] "our choice" "longer: told later";
    dry_rest_v = 12.98 "V at 12 V" [12.8, 13.3] "SIGNALS 5" "lower: healthy ones are told";
    dry_rest_max_v = 13.28 "V at 12 V" [13.0, 13.6] "SIGNALS 5: lithium rests above" "higher: lithium is called dry";
    dry_rest_min = 30.0 "min" [10.0, 600.0] "our choice: records end an hour after charge" "shorter: surface charge is told";
    dry_start_v = 12.4 "V at 12 V" [11.8, 13.0] "our choice: acid of a dry one is strong from the start" "lower: recovered ones are told";
    dry_accept_c = 0.45 "C20" [0.1, 1.0] "our choice for SIGNALS 5 few Ah" "larger: recovered ones are told";
    dry_tail_c = 0.012 "C20" [0.003, 0.1] "SIGNALS 5" "smaller: healthy ones without a tester reading are told";
    lithium_low_v = 12.95 "V at 12 V" [12.0, 13.5] "SIGNALS 5" "lower: lead-acid bulk counts";
    lithium_high_v = 13.7 "V at 12 V" [13.4, 14.2] "SIGNALS 5" "higher: lead-acid bulk counts";
    lithium_share = 0.5 "share of bulk" [0.2, 1.0] "SIGNALS 5" "larger: fewer are told";
    lithium_slope = 1.3 "V per C20" [0.1, 5.0] "SIGNALS 5" "larger: lead-acid bulk counts";
    lithium_knee_slope = 0.9 "V per C20" [0.1, 5.0] "SIGNALS 5" "larger: lead-acid bulk counts";
    lithium_rest_low_v = 13.28 "V at 12 V" [13.0, 13.6] "SIGNALS 5" "lower: dry ones are called lithium";
    lithium_rest_high_v = 13.62 "V at 12 V" [13.4, 14.0] "SIGNALS 5" "higher: float is called rest";
    lithium_rest_min = 30.0 "min" [5.0, 240.0] "our choice" "shorter: surface charge is told";
    lithium_knee_from_v = 13.6 "V at 12 V" [13.4, 14.0] "SIGNALS 5" "higher: shorter knee";
    lithium_knee_to_v = 14.25 "V at 12 V" [14.0, 14.6] "SIGNALS 5" "lower: shorter knee";
    lithium_knee_min = 10.0 "min" [2.0, 30.0] "SIGNALS 5" "longer: lead-acid counts";
    heat_limit_c = 50.0 "degC" [40.0, 60.0] "ARCHITECTURE 7" "higher: warned later";
    heat_within_min = 60.0 "min" [10.0, 240.0] "SIGNALS 5" "longer: warned sooner, more often for nothing";
    heat_slope_k_per_h = 3.0 "K/h" [0.5, 20.0] "SIGNALS 5" "smaller: warmed shops warn";
    heat_rise_k = 4.0 "K" [1.0, 20.0] "SIGNALS 5" "smaller: warmed shops warn";
    heat_near_k = 4.0 "K" [1.0, 10.0] "SIGNALS 5" "larger: hot shops warn";
    heat_near_slope_k_per_h = 1.0 "K/h" [0.1, 10.0] "our choice for SIGNALS 5 rising" "smaller: hot shops warn";
    heat_current_share = 0.85 "share of 20 min before" [0.5, 1.0] "our choice for SIGNALS 5 not falling" "smaller: tapering ones warn";
    runaway_rise_share = 0.20 "share above the least" [0.05, 1.0] "DOMAIN 1.2" "smaller: recovering sulfate counts";
    runaway_min = 15.0 "min" [5.0, 60.0] "DOMAIN 1.2" "longer: told later";
    limit_heating_k_per_h = 18.0 "K/h" [3.0, 60.0] "DOMAIN 1.2: 0.3 K/min" "smaller: told sooner";
    limit_heating_min = 10.0 "min" [3.0, 60.0] "DOMAIN 1.2" "longer: told later";
    case_warn_vrla_c = 40.0 "degC" [30.0, 51.0] "DOMAIN 1.2 and 10" "higher: told later";
    case_stop_vrla_c = 43.3 "degC" [35.0, 51.0] "DOMAIN 1.2 and 10" "higher: told later";
    case_warn_flooded_c = 45.0 "degC" [30.0, 51.0] "our choice" "higher: told later";
    case_stop_flooded_c = 50.0 "degC" [35.0, 51.0] "ARCHITECTURE 7" "higher: told later";
    case_now_c = 51.0 "degC" [40.0, 51.0] "DOMAIN 1.2: never exceed" "lower: told sooner";
    ambient_vrla_k = 10.0 "K" [3.0, 25.0] "DOMAIN 1.2" "higher: told later";
    ambient_flooded_k = 15.0 "K" [3.0, 25.0] "DOMAIN 1.2" "higher: told later";
    position_warn_k = 5.0 "K" [1.0, 10.0] "DOMAIN 1.2; unmeasured" "higher: told later";
    position_stop_k = 10.0 "K" [2.0, 20.0] "DOMAIN 1.2; unmeasured" "higher: told later";
    ceiling_flooded_v = 16.0 "V at 12 V and 25 degC" [14.0, 17.0] "DOMAIN 3.1, recovery ceiling" "higher: told later";
    ceiling_agm_v = 15.4 "V at 12 V and 25 degC" [14.0, 17.0] "DOMAIN 3.1: above must be avoided" "higher: told later";
    ceiling_gel_v = 14.6 "V at 12 V and 25 degC" [13.8, 15.0] "DOMAIN 3.1, newer gel" "higher: told later";
    ceiling_tempco_v_per_k = 0.03 "V/K at 12 V" [0.0, 0.06] "DOMAIN 3.1: 5 mV per degC and cell" "larger: cold allows more";
    ceiling_slack_v = 0.15 "V at 12 V" [0.0, 0.5] "our choice: leads and charger accuracy" "larger: told later";
    plan_slack_v = 0.35 "V at 12 V" [0.05, 1.0] "our choice: compensation, leads, accuracy" "larger: told later";
    ceiling_min = 5.0 "min" [1.0, 60.0] "our choice" "longer: told later";
    overrun_vrla_c = 1.5 "C20" [1.0, 3.0] "DOMAIN 1.2" "larger: told later";
    overrun_flooded_c = 2.0 "C20" [1.0, 4.0] "DOMAIN 1.2" "larger: told later";
    stalled_v = 13.2 "V at 12 V" [12.0, 14.0] "DOMAIN 1.2" "higher: slow charges are told";
    stalled_gain_v = 0.1 "V at 12 V" [0.02, 0.5] "ARCHITECTURE 7" "larger: slow charges are told";
    stalled_h = 3.0 "h" [1.0, 3.5] "DOMAIN 1.2" "longer: told later";
    stalled_missing_share = 0.8 "share of missing Ah" [0.3, 3.0] "ARCHITECTURE 7" "smaller: slow charges are told";
    stalled_current_c = 0.05 "C20" [0.01, 0.3] "DOMAIN 1.2" "smaller: trickle charges are told";
    clock_confidence_min = 0.2 "1" [0.05, 0.9] "SIGNALS 5" "smaller: wrong offsets are used";
    clock_window_s = 12.0 "s" [4.0, 60.0] "SIGNALS 5" "longer: blunter match";
    clock_apart_s = 20.0 "s" [5.0, 120.0] "SIGNALS 5" "shorter: the same minimum competes with itself";
    clock_search_s = 240.0 "s" [20.0, 900.0] "our choice: records showed up to 130 s" "longer: more chance matches";
    clock_clip_v = 0.25 "V at 12 V" [0.02, 2.0] "our choice" "larger: one jump decides";
    pair_slope_v = 0.01 "V at 12 V per min" [0.001, 0.1] "our choice: both clocks may differ by minutes" "larger: drift enters the offset";
}
