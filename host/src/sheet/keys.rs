//! The one table of keys: parser, suggestions, defaults and JSON Schema all read it.

use super::conduct::{BenchChangeKind, BrakeDriver, CapKind, Mounting, Stop};
use super::model::Basis;
use super::signals::{
    CountDirection, DisplayShown, FlagRole, Handling, InputRole, Polarity, Rotation, TorqueShown, Viewpoint,
};
use super::words::{DecisionWord, Mode, listed};

/// A table of the sheet.
pub(super) struct Section {
    pub(super) name: &'static str,
    /// Written `[[name]]`, any number of times.
    pub(super) repeated: bool,
    /// The sheet is refused without it.
    pub(super) required: bool,
    pub(super) doc: &'static str,
    pub(super) keys: &'static [Key],
}

/// A key of a table.
pub(super) struct Key {
    pub(super) name: &'static str,
    pub(super) kind: Kind,
    pub(super) presence: Presence,
    pub(super) doc: &'static str,
}

/// What a key's value can be.
#[derive(Clone, Copy)]
pub(super) enum Kind {
    /// Text of at most so many characters, not empty, no control characters.
    Text(usize),
    /// As [`Kind::Text`], and line breaks are welcome.
    Prose(usize),
    /// true or false.
    Truth,
    /// A finite number.
    Number(Range),
    /// A whole number from, to.
    Whole(u32, u32),
    /// One of these words.
    Word(fn() -> Vec<(&'static str, &'static str)>),
}

/// Which numbers are possible. The upper ends are no opinion on good design: they catch a wrong unit.
#[derive(Clone, Copy)]
pub(super) struct Range {
    pub(super) least: f64,
    /// `least` itself is not possible.
    pub(super) above: bool,
    pub(super) most: f64,
}

/// What happens when a key is left out.
#[derive(Clone, Copy)]
pub(super) enum Presence {
    Required,
    Optional,
    /// Needed in some sheets; the words say in which.
    When(&'static str),
    /// This number is taken.
    Number(f64, Basis),
    /// This whole number is taken.
    Whole(u32, Basis),
    /// This truth is taken.
    Truth(bool),
    /// This word is taken.
    Word(&'static str),
    /// A number that depends on other keys is taken; the words say which.
    Rule(&'static str, Basis),
}

pub(super) const fn positive(most: f64) -> Kind {
    Kind::Number(Range { least: 0.0, above: true, most })
}

const fn zero_to(most: f64) -> Kind {
    Kind::Number(Range { least: 0.0, above: false, most })
}

pub(super) const fn key(name: &'static str, kind: Kind, presence: Presence, doc: &'static str) -> Key {
    Key { name, kind, presence, doc }
}

const fn common(value: f64) -> Presence {
    Presence::Number(value, Basis::CommonPractice)
}

const fn assumed(value: f64) -> Presence {
    Presence::Number(value, Basis::Assumed)
}

use Presence::{Optional, Required, Rule, When};

const TERMINAL: Kind = Kind::Text(32);
const PERCENT: Kind = positive(100.0);

pub(super) const fn one(
    name: &'static str,
    required: bool,
    doc: &'static str,
    keys: &'static [Key],
) -> Section {
    Section { name, repeated: false, required, doc, keys }
}

pub(super) const fn many(
    name: &'static str,
    required: bool,
    doc: &'static str,
    keys: &'static [Key],
) -> Section {
    Section { name, repeated: true, required, doc, keys }
}

/// Every table and key there is.
pub(super) static SECTIONS: &[Section] = &[
    one(
        "axis",
        true,
        "Title, customer, notes",
        &[
            key("title", Kind::Text(120), Required, "Title of the axis"),
            key("customer", Kind::Text(120), Required, "For whom the axis is delivered"),
            key("notes", Kind::Prose(4000), Optional, "Anything worth reading beside the numbers"),
            key(
                "invented",
                Kind::Truth,
                Presence::Truth(false),
                "The data are invented for demonstration; every report says so",
            ),
        ],
    ),
    one(
        "command",
        true,
        "The analog command",
        &[
            key("mode", Kind::Word(listed::<Mode>), Required, "What the volts ask for"),
            key(
                "pair_volts",
                positive(10.0),
                Required,
                "At this voltage the torque or speed of the pair is asked for",
            ),
            key(
                "pair_percent_of_rated_torque",
                positive(1000.0),
                When("the mode is torque"),
                "Share of rated torque at pair_volts",
            ),
            key("pair_rpm", positive(100_000.0), When("the mode is speed"), "Speed at pair_volts"),
            key(
                "input_range_volts",
                positive(24.0),
                Required,
                "The amplifier accepts commands within plus and minus this",
            ),
        ],
    ),
    one(
        "motor",
        true,
        "Motor",
        &[
            key("rated_torque_newton_metres", positive(10_000.0), Required, "Rated (continuous) torque"),
            key(
                "peak_torque_newton_metres",
                positive(100_000.0),
                Required,
                "Peak torque, at least the rated torque",
            ),
            key("rated_rpm", positive(100_000.0), Required, "Rated speed"),
            key(
                "maximum_rpm",
                positive(100_000.0),
                Required,
                "Highest mechanical speed, at least the rated speed",
            ),
            key(
                "rotor_inertia_kilogram_square_metres",
                positive(1000.0),
                Required,
                "Inertia of the rotor alone",
            ),
            key(
                "rotor_inertia_uncertainty_percent",
                PERCENT,
                Required,
                "Expanded uncertainty (k = 2) of the rotor's inertia",
            ),
            key("breakaway_percent_of_rated_torque", PERCENT, Required, "Breakaway torque is at most this"),
            key(
                "running_friction_percent_of_rated_torque",
                PERCENT,
                Rule("two thirds of the breakaway bound", Basis::Assumed),
                "Running friction expected, at most the breakaway bound",
            ),
        ],
    ),
    one(
        "disc",
        false,
        "Disc added to the rotor for the bench: its inertia, or its mass and radii",
        &[
            key(
                "inertia_kilogram_square_metres",
                positive(1000.0),
                When("mass and outer radius are not given"),
                "Inertia of the disc with its hub",
            ),
            key("mass_kilograms", positive(10_000.0), When("the inertia is not given"), "Mass of the disc"),
            key(
                "outer_radius_millimetres",
                positive(5000.0),
                When("the inertia is not given"),
                "Outer radius of the disc",
            ),
            key(
                "inner_radius_millimetres",
                zero_to(5000.0),
                Optional,
                "Radius of the bore, smaller than the outer radius; 0 for a solid disc",
            ),
            key(
                "uncertainty_percent",
                PERCENT,
                Required,
                "Expanded uncertainty (k = 2) of the disc's inertia, all in one number: weighing, dimensions, holes and roundness, \
                 evenness of the material, hub and screws, and without a mass its centring on the shaft",
            ),
            key("maximum_rpm", positive(100_000.0), Optional, "The disc must not turn faster"),
        ],
    ),
    one(
        "encoder",
        true,
        "Divided encoder output of the amplifier",
        &[
            key(
                "pulses_per_revolution",
                Kind::Whole(1, 0x1000_0000),
                Required,
                "Pulses (full cycles of phase A, four counts each) in one motor revolution, before quadrature",
            ),
            key(
                "native_positions_per_revolution",
                Kind::Whole(4, u32::MAX),
                Required,
                "Positions of the motor's own encoder in one revolution, at least 4 x pulses_per_revolution",
            ),
            key(
                "controller_pulse_rate_kilohertz",
                positive(1e6),
                Optional,
                "The customer's controller takes pulses (cycles of phase A) up to this rate",
            ),
            key(
                "controller_edge_nanoseconds",
                positive(1e9),
                Optional,
                "The customer's controller needs at least this between two edges of A and B",
            ),
            key(
                "phase_error_degrees",
                Kind::Number(Range { least: 0.0, above: false, most: 89.0 }),
                assumed(10.0),
                "Phase error allowed for between A and B, electrical degrees (360 to the pulse)",
            ),
            key(
                "start_up_milliseconds",
                zero_to(60_000.0),
                assumed(1000.0),
                "After control power pulses and index are valid so much later",
            ),
        ],
    ),
    one(
        "direction",
        true,
        "Which way is positive",
        &[
            key(
                "positive_command_turns",
                Kind::Word(listed::<Rotation>),
                Required,
                "Positive command turns the shaft this way",
            ),
            key(
                "seen_from",
                Kind::Word(listed::<Viewpoint>),
                Presence::Word("shaft_end"),
                "From where the rotation is seen",
            ),
            key(
                "positive_command_counts",
                Kind::Word(listed::<CountDirection>),
                Required,
                "Positive command makes the count go this way",
            ),
        ],
    ),
    one(
        "cap",
        true,
        "The highest speed allowed, held down by the amplifier",
        &[
            key(
                "rpm",
                positive(100_000.0),
                Required,
                "Never above this; at most the mechanical maximum of motor and disc",
            ),
            key("kind", Kind::Word(listed::<CapKind>), Required, "What makes the limit"),
        ],
    ),
    many(
        "flag",
        false,
        "A flag: an open-collector pair of the amplifier",
        &[
            key("role", Kind::Word(listed::<FlagRole>), Required, "What it tells; each role at most once"),
            key("terminal", TERMINAL, Required, "Terminal of its collector, used by nothing else"),
            key(
                "common_terminal",
                TERMINAL,
                Required,
                "Terminal of its emitter or common; may be shared by commons",
            ),
            key(
                "fixture_input",
                Kind::Whole(0, 7),
                Required,
                "Flag input of the fixture it is wired to, used by nothing else",
            ),
            key(
                "active",
                Kind::Word(listed::<Polarity>),
                Required,
                "State of the pair while the flag is active",
            ),
        ],
    ),
    many(
        "input",
        true,
        "An input of the amplifier, driven by an isolated contact of the fixture",
        &[
            key(
                "role",
                Kind::Word(listed::<InputRole>),
                Required,
                "What it asks for; each role at most once, enable always",
            ),
            key("terminal", TERMINAL, Required, "Terminal of the input, used by nothing else"),
            key("common_terminal", TERMINAL, Required, "Terminal of its common; may be shared by commons"),
            key(
                "active",
                Kind::Word(listed::<Polarity>),
                Required,
                "State of the contact while the role is asserted: enabled, clearing, end switch tripped",
            ),
            key(
                "handling",
                Kind::Word(listed::<Handling>),
                Presence::Word("obeyed"),
                "Whether the amplifier acts on it; only end switches may be ignored",
            ),
            key(
                "delivered_unwired",
                Kind::Truth,
                Presence::Truth(false),
                "The axis is delivered with nothing wired to this end switch",
            ),
        ],
    ),
    one(
        "enable",
        true,
        "What happens when the axis is enabled and disabled",
        &[
            key("on_delay_milliseconds", zero_to(60_000.0), Required, "From enable to torque on, at most"),
            key(
                "off",
                Kind::Word(listed::<Stop>),
                Required,
                "How the shaft comes to rest after enable is taken away",
            ),
            key(
                "first_may_move_degrees",
                zero_to(360.0),
                Required,
                "The first enable after power-up may move the shaft this far, either way",
            ),
            key(
                "brake",
                Kind::Word(listed::<BrakeDriver>),
                Required,
                "Who drives the holding brake; a fixture never does",
            ),
        ],
    ),
    one(
        "bench",
        true,
        "How the axis stands on the bench",
        &[
            key("mounting", Kind::Word(listed::<Mounting>), Required, "What the shaft is connected to"),
            key(
                "control_power_separable",
                Kind::Truth,
                Required,
                "Control power can be on while motor power is off",
            ),
            key("brake_resistor", Kind::Truth, Required, "A brake resistor takes the energy of braking"),
            key(
                "absorbs_joules",
                positive(1e6),
                When("there is no brake resistor"),
                "The amplifier's capacitors take this much per braking",
            ),
        ],
    ),
    one(
        "torque_read_out",
        false,
        "Analog torque output of the amplifier",
        &[
            key("shows", Kind::Word(listed::<TorqueShown>), Required, "What it shows"),
            key("volts_at_rated_torque", positive(10.0), Required, "Volts at 100 % of rated torque"),
            key(
                "scale_uncertainty_percent",
                PERCENT,
                assumed(2.0),
                "Expanded uncertainty (k = 2) of that scale, as the amplifier's maker states it",
            ),
            key("terminal", TERMINAL, Required, "Terminal, used by nothing else"),
            key("common_terminal", TERMINAL, Required, "Terminal of its common; may be shared by commons"),
        ],
    ),
    one(
        "display",
        false,
        "The amplifier's own display of torque, read by a person",
        &[
            key("torque_shows", Kind::Word(listed::<DisplayShown>), Required, "What it shows as torque"),
            key(
                "step_percent_of_rated_torque",
                positive(10.0),
                Required,
                "The smallest step it shows, in percent of rated torque",
            ),
        ],
    ),
    one(
        "measured_inertia",
        false,
        "The rotor's inertia as it was measured; it takes the place of the catalogue's",
        &[
            key(
                "rotor_kilogram_square_metres",
                positive(1000.0),
                Required,
                "Inertia of the rotor with all that stays on the shaft but the disc",
            ),
            key("uncertainty_percent", PERCENT, Required, "Expanded uncertainty (k = 2) of that inertia"),
            key("provenance", Kind::Text(1000), Required, "How, when and with what it was measured"),
        ],
    ),
    one(
        "speed_read_out",
        false,
        "Analog speed output of the amplifier",
        &[
            key("volts_per_thousand_rpm", positive(10.0), Required, "Volts per 1000 rpm"),
            key("terminal", TERMINAL, Required, "Terminal, used by nothing else"),
            key("common_terminal", TERMINAL, Required, "Terminal of its common; may be shared by commons"),
        ],
    ),
    one(
        "amplifier",
        false,
        "Time constants of the amplifier: for planning, and as what the step response is compared with",
        &[
            key(
                "command_filter_milliseconds",
                zero_to(1000.0),
                assumed(0.5),
                "Time constant of the filter on the command",
            ),
            key(
                "torque_time_constant_milliseconds",
                zero_to(1000.0),
                assumed(0.5),
                "Time constant from torque asked for to torque made",
            ),
            key(
                "off_delay_milliseconds",
                zero_to(10_000.0),
                assumed(10.0),
                "From enable taken away to torque gone, at most",
            ),
            key(
                "ramp_milliseconds_per_thousand_rpm",
                zero_to(600_000.0),
                assumed(0.0),
                "The amplifier's own ramp of a speed command: time for 1000 rpm; 0 for none",
            ),
            key(
                "speed_time_constant_milliseconds",
                positive(1000.0),
                assumed(5.0),
                "Closed speed loop: from a small step of the command until the speed has made 63.2 % of it; not with a ramp",
            ),
            key(
                "speed_rise_time_milliseconds",
                positive(10_000.0),
                Optional,
                "Closed speed loop: from 10 to 90 % of a small step of the speed; not with a ramp",
            ),
        ],
    ),
    one(
        "tolerances",
        false,
        "What may differ from the targets; what is left out is common practice, no source",
        &[
            key(
                "torque_gain_percent",
                PERCENT,
                Rule("5 with a disc of at least twice the rotor's inertia, else 10", Basis::CommonPractice),
                "Torque gain found with the encoder and the inertia, plus and minus, of target",
            ),
            key(
                "torque_gain_read_out_percent",
                PERCENT,
                common(3.0),
                "Torque gain found with the torque read-out, plus and minus, of target",
            ),
            key(
                "torque_gain_display_percent",
                PERCENT,
                common(3.0),
                "Torque gain found with the amplifier's own display, plus and minus, of target",
            ),
            key(
                "torque_offset_percent_of_rated_torque",
                PERCENT,
                common(1.0),
                "Torque offset, plus and minus",
            ),
            key(
                "linearity_percent",
                PERCENT,
                common(2.0),
                "Deviation from the best straight line, plus and minus, of rated torque or full speed",
            ),
            key("speed_gain_percent", PERCENT, common(1.0), "Speed gain, plus and minus, of target"),
            key(
                "speed_offset_percent_of_full_speed",
                PERCENT,
                common(0.1),
                "Speed offset, plus and minus, of the speed at full command",
            ),
            key("cap_percent", PERCENT, common(2.0), "Speed cap, plus and minus, of the cap"),
            key(
                "cap_least_rpm",
                positive(10_000.0),
                common(20.0),
                "The cap's tolerance is never narrower than plus and minus this",
            ),
            key(
                "cap_overshoot_percent",
                PERCENT,
                common(20.0),
                "Overshoot above the cap, at most, of the cap",
            ),
            key(
                "cap_ripple_percent",
                PERCENT,
                common(3.0),
                "Ripple while the cap holds, at most, peak to peak, of the cap",
            ),
            key(
                "cap_flag_delay_milliseconds",
                positive(10_000.0),
                common(20.0),
                "From the crossing of 98 % of the cap to the cap's flag, at most",
            ),
            key(
                "cap_flag_chatter_edges",
                Kind::Whole(0, 1000),
                Presence::Whole(1, Basis::CommonPractice),
                "Extra edges of the cap's flag at one change, at most",
            ),
            key(
                "enable_off_milliseconds",
                positive(10_000.0),
                common(20.0),
                "From enable taken away to torque gone, at most",
            ),
            key(
                "phase_degrees",
                positive(90.0),
                common(45.0),
                "Phase between neighbouring edges of A and B, at least, electrical degrees",
            ),
            key(
                "step_response_percent",
                Kind::Number(Range { least: 0.0, above: true, most: 1000.0 }),
                common(50.0),
                "Delay of the torque, or time constant and rise time of the speed, at most so much more than the amplifier's say",
            ),
            key(
                "speed_overshoot_percent",
                PERCENT,
                common(25.0),
                "Overshoot of the speed after a small step of its command, at most, of the step",
            ),
            key(
                "retention_gain_percent",
                PERCENT,
                common(1.0),
                "Change of a gain over a power cycle, plus and minus",
            ),
        ],
    ),
    one(
        "decision",
        false,
        "How a measured value becomes a verdict; to be agreed with the customer beforehand",
        &[
            key(
                "rule",
                Kind::Word(listed::<DecisionWord>),
                Presence::Word("guarded"),
                "What is compared with the limits",
            ),
            key(
                "risk_percent",
                Kind::Number(Range { least: 0.0, above: true, most: 50.0 }),
                When("the rule is specific_risk"),
                "Probability of a wrong acceptance that is put up with",
            ),
        ],
    ),
    one(
        "wiring",
        true,
        "Terminals of command and encoder pairs, by the labels at the amplifier",
        &[
            key("command_positive", TERMINAL, Required, "Command, positive wire"),
            key("command_negative", TERMINAL, Required, "Command, negative wire"),
            key("phase_a", TERMINAL, Required, "Phase A"),
            key("phase_a_inverted", TERMINAL, Required, "Phase A, inverted wire"),
            key("phase_b", TERMINAL, Required, "Phase B"),
            key("phase_b_inverted", TERMINAL, Required, "Phase B, inverted wire"),
            key("index", TERMINAL, Required, "Index"),
            key("index_inverted", TERMINAL, Required, "Index, inverted wire"),
            key("signal_ground", TERMINAL, Required, "0 V of the encoder pairs; may be shared by commons"),
        ],
    ),
    many(
        "bench_change",
        false,
        "Something changed for the bench that must be taken back before handover",
        &[
            key("kind", Kind::Word(listed::<BenchChangeKind>), Required, "What was changed"),
            key("what", Kind::Text(200), Required, "How it is on the bench"),
            key("undo", Kind::Text(200), Required, "What to do before handover"),
        ],
    ),
    super::settings_keys::SETTINGS,
    super::settings_keys::SETTING,
    super::settings_keys::EXPECTED_CHANGE,
];

/// The section of a name.
pub(super) fn section(name: &str) -> Option<&'static Section> {
    SECTIONS.iter().find(|section| section.name == name)
}

impl Section {
    /// The key of a name.
    pub(super) fn key(&self, name: &str) -> Option<&'static Key> {
        self.keys.iter().find(|key| key.name == name)
    }
}
