//! A population of axes: small and large motors, all ways to write a command pair, both directions, both senses of flags.
//! All of it invented.

use std::fmt::Write as _;

use proofstand::sheet::AxisSheet;

/// A motor with a disc on it.
struct Motor {
    name: &'static str,
    rated_newton_metres: f64,
    peak_over_rated: f64,
    rated_rpm: u32,
    maximum_rpm: u32,
    rotor_kilogram_square_metres: f64,
    breakaway_percent: f64,
    running_percent: f64,
    disc_radius_millimetres: f64,
}

const fn motor(
    name: &'static str,
    rated_newton_metres: f64,
    peak_over_rated: f64,
    (rated_rpm, maximum_rpm): (u32, u32),
    rotor_kilogram_square_metres: f64,
    (breakaway_percent, running_percent): (f64, f64),
    disc_radius_millimetres: f64,
) -> Motor {
    Motor {
        name,
        rated_newton_metres,
        peak_over_rated,
        rated_rpm,
        maximum_rpm,
        rotor_kilogram_square_metres,
        breakaway_percent,
        running_percent,
        disc_radius_millimetres,
    }
}

// Magnitudes as servo motors of these sizes have them (common practice, no source).
const MOTORS: [Motor; 8] = [
    motor("label feeder", 0.16, 3.0, (3000, 6000), 3.0e-6, (4.0, 2.5), 22.0),
    motor("probe lift", 0.32, 3.0, (3000, 6000), 6.5e-6, (3.5, 2.5), 26.0),
    motor("glue pump", 0.64, 3.0, (3000, 6000), 2.6e-5, (3.0, 2.0), 32.0),
    motor("wire guide", 1.27, 3.0, (3000, 5000), 4.4e-5, (3.0, 2.0), 36.0),
    motor("turn table", 2.39, 2.5, (3000, 5000), 9.1e-5, (3.0, 2.0), 44.0),
    motor("press feed", 4.8, 2.5, (2000, 3000), 6.4e-4, (3.0, 1.5), 60.0),
    motor("web brake", 9.5, 2.0, (2000, 3000), 1.2e-3, (2.5, 1.5), 75.0),
    motor("saw spindle", 15.8, 2.5, (3000, 5000), 1.7e-3, (2.5, 1.5), 85.0),
];
/// Rated torque over the inertia with the disc, rad/s².
const ACCELERATION: [f64; 3] = [1400.0, 1900.0, 2400.0];
const PULSES: [u32; 5] = [500, 1000, 2048, 2500, 5000];
const NATIVE: [u32; 3] = [131_072, 262_144, 1_048_576];
/// Volts and the percentage of rated torque they stand for.
const PAIRS: [(f64, f64); 4] = [(8.0, 100.0), (10.0, 100.0), (5.0, 100.0), (9.0, 150.0)];
/// Share of the rated speed.
const CAPS: [f64; 5] = [0.40, 0.5, 0.6, 0.7, 0.8];
/// Senses of the flags: holding speed down, can be enabled, torque on, fault.
const SENSES: [[&str; 4]; 3] = [
    ["conducting", "conducting", "conducting", "open"],
    ["open", "conducting", "conducting", "open"],
    ["conducting", "open", "open", "conducting"],
];

/// How many axes take a torque command.
pub const OF_TORQUE: usize = 24;
/// How many axes there are; those beyond the first ones take a speed command.
pub const AXES: usize = 30;

/// Name and sheet text of an axis, 0 to [`AXES`] − 1.
#[must_use]
pub fn text(number: usize) -> (String, String) {
    // Lists of different lengths: each value meets many of the others.
    let motor = &MOTORS[number % MOTORS.len()];
    let pulses = PULSES[number % PULSES.len()];
    let native = NATIVE[(number / 2) % NATIVE.len()];
    let (volts, percent) = PAIRS[(number / 3) % PAIRS.len()];
    let cap = (f64::from(motor.rated_rpm) * CAPS[(number / 4) % CAPS.len()]).round();
    // Slow axes need a heavier disc, for enough of a turn in the measuring window.
    let cap_rad_per_sec = cap * core::f64::consts::TAU / 60.0;
    let acceleration =
        ACCELERATION[number % ACCELERATION.len()].min(0.14 * cap_rad_per_sec * cap_rad_per_sec);
    let senses = SENSES[(number / 5) % SENSES.len()];
    let (turns, counts) = (["clockwise", "counterclockwise"][number % 2], ["up", "down"][(number / 2) % 2]);
    let seen_from = ["shaft_end", "other_end"][(number / 7) % 2];
    let read_outs = number % 4 != 3;
    let by_torque = number < OF_TORQUE;
    let obeyed = number % 6 == 4;
    let brake = by_torque && number % 8 == 5;

    let disc = motor.rated_newton_metres / acceleration - motor.rotor_kilogram_square_metres;
    let (outer, inner) = (motor.disc_radius_millimetres, motor.disc_radius_millimetres / 6.0);
    let mass = 2.0 * disc / ((outer * outer + inner * inner) * 1e-6);
    let rate = f64::from(pulses) * f64::from(motor.maximum_rpm) / 60e3;
    let name = format!("{} {number}", motor.name);

    let mut sheet = String::new();
    let mut line = |text: String| {
        let _ = writeln!(sheet, "{text}");
    };
    line(format!("[axis]\ntitle = \"{name}\"\ncustomer = \"Population (invented)\"\ninvented = true\n"));
    let (mode, full) = if by_torque {
        ("torque", format!("pair_percent_of_rated_torque = {percent:.1}"))
    } else {
        // As the controller of a speed axis has it: what it asks for at most lies below the cap.
        ("speed", format!("pair_rpm = {:.0}", 0.8 * cap))
    };
    line(format!(
        "[command]\nmode = \"{mode}\"\npair_volts = {:.1}\n{full}\ninput_range_volts = 10.0\n",
        if by_torque { volts } else { volts * 0.6 }
    ));
    line(format!(
        "[motor]\nrated_torque_newton_metres = {}\npeak_torque_newton_metres = {:.3}\nrated_rpm = {}\nmaximum_rpm = {}\n\
         rotor_inertia_kilogram_square_metres = {:e}\nrotor_inertia_uncertainty_percent = 3.0\n\
         breakaway_percent_of_rated_torque = {:.1}\nrunning_friction_percent_of_rated_torque = {:.1}\n",
        motor.rated_newton_metres,
        motor.rated_newton_metres * motor.peak_over_rated,
        motor.rated_rpm,
        motor.maximum_rpm,
        motor.rotor_kilogram_square_metres,
        motor.breakaway_percent,
        motor.running_percent,
    ));
    line(format!(
        "[disc]\nmass_kilograms = {mass:.4}\nouter_radius_millimetres = {outer:.1}\ninner_radius_millimetres = {inner:.2}\n\
         uncertainty_percent = 1.0\nmaximum_rpm = 8000\n"
    ));
    line(format!(
        "[encoder]\npulses_per_revolution = {pulses}\nnative_positions_per_revolution = {native}\n\
         controller_pulse_rate_kilohertz = {:.0}\ncontroller_edge_nanoseconds = 100.0\nphase_error_degrees = 10.0\n\
         start_up_milliseconds = 300.0\n",
        (rate * 1.5).max(50.0)
    ));
    line(format!(
        "[direction]\npositive_command_turns = \"{turns}\"\nseen_from = \"{seen_from}\"\npositive_command_counts = \"{counts}\"\n"
    ));
    line(format!("[cap]\nrpm = {cap:.0}\nkind = \"setting\"\n"));
    let roles = ["holding_speed_down", "can_enable", "torque_on", "fault"];
    for (input, (role, sense)) in roles.iter().zip(senses).enumerate() {
        line(format!(
            "[[flag]]\nrole = \"{role}\"\nterminal = \"F{input}\"\ncommon_terminal = \"FC{input}\"\n\
             fixture_input = {input}\nactive = \"{sense}\"\n"
        ));
    }
    line("[[input]]\nrole = \"enable\"\nterminal = \"E1\"\ncommon_terminal = \"E0\"\nactive = \"conducting\"\n".to_owned());
    if brake {
        line(
            "[[flag]]\nrole = \"brake_release\"\nterminal = \"F4\"\ncommon_terminal = \"FC4\"\nfixture_input = 4\n\
             active = \"conducting\"\n"
                .to_owned(),
        );
    }
    let handling = if obeyed { "\"obeyed\"" } else { "\"ignored\"\ndelivered_unwired = true" };
    for (end, terminal) in [("positive", "E2"), ("negative", "E3")] {
        line(format!(
            "[[input]]\nrole = \"end_switch_{end}\"\nterminal = \"{terminal}\"\ncommon_terminal = \"E0\"\nactive = \"open\"\n\
             handling = {handling}\n"
        ));
    }
    let driver = if brake { "amplifier" } else { "none" };
    line(format!(
        "[enable]\non_delay_milliseconds = 50.0\noff = \"coast\"\nfirst_may_move_degrees = 0.0\nbrake = \"{driver}\"\n"
    ));
    line(
        "[bench]\nmounting = \"free_shaft\"\ncontrol_power_separable = true\nbrake_resistor = true\nabsorbs_joules = 40.0\n"
            .to_owned(),
    );
    if read_outs {
        line(
            "[torque_read_out]\nshows = \"actual\"\nvolts_at_rated_torque = 3.0\nscale_uncertainty_percent = 0.5\nterminal = \"R1\"\ncommon_terminal = \"R0\"\n"
                .to_owned(),
        );
        line(
            "[speed_read_out]\nvolts_per_thousand_rpm = 2.0\nterminal = \"R2\"\ncommon_terminal = \"R0\"\n"
                .to_owned(),
        );
    }
    if by_torque && number % 3 == 1 {
        line("[display]\ntorque_shows = \"command\"\nstep_percent_of_rated_torque = 0.1\n".to_owned());
    }
    // How soon a speed follows is the amplifier's to state only where it takes a speed command.
    let speed_loop = if by_torque { "" } else { "speed_time_constant_milliseconds = 5.0\n" };
    line(format!(
        "[amplifier]\ncommand_filter_milliseconds = 0.5\ntorque_time_constant_milliseconds = 0.6\n\
         off_delay_milliseconds = 8.0\n{speed_loop}"
    ));
    line(
        "[wiring]\ncommand_positive = \"C1\"\ncommand_negative = \"C2\"\nphase_a = \"P1\"\nphase_a_inverted = \"P2\"\n\
         phase_b = \"P3\"\nphase_b_inverted = \"P4\"\nindex = \"P5\"\nindex_inverted = \"P6\"\nsignal_ground = \"P0\""
            .to_owned(),
    );
    (name, sheet)
}

/// An axis, its text and its sheet.
///
/// # Errors
/// The sheet's own, which is a fault of this table.
pub fn axis(number: usize) -> Result<(String, String, AxisSheet), proofstand::sheet::SheetError> {
    let (name, text) = text(number);
    let sheet = proofstand::sheet::parse(&format!("{name}.toml"), text.as_bytes())?;
    Ok((name, text, sheet))
}
