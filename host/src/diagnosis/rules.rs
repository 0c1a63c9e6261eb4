//! The rules. Each looks for one pattern; its fit says how much of the pattern is there.

use super::{
    Finding, Pattern, amplifier, cap, direction, fixture, flag, lines, low_energy, motion, pulses, scale,
    speed_loop, stored, ways,
};
use crate::record::model::ResultRow;

/// A rule.
pub(super) type Rule = fn(&Pattern<'_>) -> Option<Finding>;

/// Every rule.
pub(super) const ALL: &[Rule] = &[
    low_energy::fixture_off,
    fixture::calibration,
    fixture::enable_contact,
    fixture::read_back,
    fixture::fell_silent,
    amplifier::fault,
    amplifier::fault_in_motion,
    amplifier::cannot_enable,
    amplifier::limit_open,
    amplifier::output_breaks_off,
    amplifier::turns_by_itself,
    amplifier::turns_by_its_offset,
    amplifier::runs_away,
    amplifier::speed_read_out,
    low_energy::enable_inverted,
    low_energy::brake_late,
    low_energy::stops_otherwise,
    low_energy::encoder_not_driven,
    low_energy::enable_always,
    low_energy::enable_perhaps_ignored,
    low_energy::enable_flag_wrong,
    low_energy::end_switches_hold,
    low_energy::end_switches_wrong,
    low_energy::brake_closed,
    stored::not_in_force,
    stored::not_stored,
    pulses::pulses_for_counts,
    pulses::other_pulse_number,
    pulses::counts_uneven,
    pulses::index_drops,
    pulses::pairs_ring,
    pulses::counter_stands,
    direction::encoder_or_command_reversed,
    direction::both_reversed,
    direction::counts_by_hand_the_other_way,
    motion::silent_by_hand,
    motion::never_moves,
    motion::jumps_and_locks,
    motion::moves_at_zero,
    pulses::no_index,
    lines::index_inverted,
    lines::index_one_way,
    lines::phase_error,
    lines::duty_error,
    lines::edges_too_near,
    lines::illegal_transitions,
    lines::response_slow,
    pulses::counts_lost_at_speed,
    ways::scale_ways,
    ways::impossible_inertia,
    scale::gain_of_peak,
    scale::gain_by_two,
    scale::gain_low,
    scale::gain_other,
    scale::speed_falls_short,
    scale::too_little_to_start,
    scale::offset,
    scale::dead_band,
    scale::coupling_slips,
    scale::torque_limited,
    speed_loop::slow,
    speed_loop::hunts,
    cap::cap_not_set,
    cap::cap_one_way,
    cap::cap_hunting,
    cap::cap_other_value,
    cap::cap_droops_below_its_flag,
    flag::flag_elsewhere,
    flag::flag_inverted,
    flag::flag_shared,
    flag::flag_dead,
    flag::can_enable_dead,
];

/// How near a ratio must be to a telling one.
const NEAR: f64 = 0.05;

pub(super) fn near(value: f64, wanted: f64) -> bool {
    (value / wanted - 1.0).abs() <= NEAR
}

pub(super) fn ratio(row: &ResultRow) -> Option<f64> {
    Some(row.measured? / row.target?)
}

pub(super) fn finding(
    id: &'static str,
    title: &str,
    remedy: &str,
    fit: f64,
    evidence: Vec<String>,
) -> Option<Finding> {
    Some(Finding {
        id,
        title: title.to_owned(),
        evidence,
        remedy: remedy.to_owned(),
        fit,
        not_told_apart: Vec::new(),
    })
}
