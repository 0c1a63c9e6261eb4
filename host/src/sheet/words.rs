//! Words the sheet chooses from, each with its meaning and its value.

use super::conduct::{BenchChangeKind, BrakeDriver, CapKind, Mounting, Stop};
use super::settings::{DecimalSign, Delimiter, EntryKind, SettingForm, SettingTarget, TextEncoding};
use super::signals::{
    CountDirection, DisplayShown, FlagRole, Handling, InputRole, Polarity, Rotation, TorqueShown, Viewpoint,
};

/// Whether the command asks for torque or for speed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Mode {
    Torque,
    Speed,
}

/// The decision rule, before its risk is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum DecisionWord {
    Guarded,
    Simple,
    SpecificRisk,
}

/// A value chosen by a word.
pub(super) trait Words: Copy + 'static {
    /// Word, meaning, value.
    const ALL: &'static [(&'static str, &'static str, Self)];

    /// The value of a word.
    fn from_word(word: &str) -> Option<Self> {
        Self::ALL.iter().find(|(known, _, _)| *known == word).map(|(_, _, value)| *value)
    }
}

/// Words and meanings without their values: what a key table can hold.
pub(super) fn listed<T: Words>() -> Vec<(&'static str, &'static str)> {
    T::ALL.iter().map(|(word, meaning, _)| (*word, *meaning)).collect()
}

macro_rules! words {
    ($type:ident { $($word:literal => $variant:ident: $meaning:literal),+ $(,)? }) => {
        impl Words for $type {
            const ALL: &'static [(&'static str, &'static str, Self)] =
                &[$(($word, $meaning, $type::$variant)),+];
        }
    };
}

words!(Mode {
    "torque" => Torque: "volts ask for torque",
    "speed" => Speed: "volts ask for speed",
});
words!(DecisionWord {
    "guarded" => Guarded: "accepted inside the limits by U, rejected outside by U, else undecided (w = U)",
    "simple" => Simple: "accepted inside the limits, rejected outside; half of the values on a limit are wrong",
    "specific_risk" => SpecificRisk: "accepted where the probability of being outside is at most risk_percent",
});
words!(Rotation {
    "clockwise" => Clockwise: "as the hands of a clock",
    "counterclockwise" => Counterclockwise: "against the hands of a clock",
});
words!(Viewpoint {
    "shaft_end" => ShaftEnd: "facing the drive end, where the shaft comes out (IEC 60034-8)",
    "other_end" => OtherEnd: "facing the end opposite to the shaft",
});
words!(CountDirection {
    "up" => Up: "A leads B",
    "down" => Down: "B leads A",
});
words!(CapKind {
    "setting" => Setting: "a stored setting of the amplifier",
    "analog_input" => AnalogInput: "a voltage at a second analog input of the amplifier",
});
words!(BenchChangeKind {
    "jumper" => Jumper: "a wire or plug that is there for the bench only",
    "limit" => Limit: "a torque, speed or current limit set lower for the bench",
    "setting" => Setting: "another setting of the amplifier",
    "other" => Other: "anything else: a part taken off, a guard, a blocked brake",
});
words!(FlagRole {
    "holding_speed_down" => HoldingSpeedDown: "the amplifier holds the speed down at the cap",
    "can_enable" => CanEnable: "the amplifier can be enabled",
    "torque_on" => TorqueOn: "torque is on",
    "fault" => Fault: "a fault is latched",
    "brake_release" => BrakeRelease: "the brake is to be released",
});
words!(Polarity {
    "conducting" => Conducting: "current can flow",
    "open" => Open: "no current flows: also the state of a broken wire",
});
words!(InputRole {
    "enable" => Enable: "turn torque on",
    "clear_fault" => ClearFault: "clear a latched fault",
    "end_switch_positive" => EndSwitchPositive: "end of travel in the positive direction",
    "end_switch_negative" => EndSwitchNegative: "end of travel in the negative direction",
});
words!(Handling {
    "obeyed" => Obeyed: "the amplifier acts on it",
    "ignored" => Ignored: "the amplifier is set to ignore it",
});
words!(Stop {
    "coast" => Coast: "torque off, only friction slows the shaft",
    "brake" => Brake: "the amplifier brakes the shaft",
});
words!(BrakeDriver {
    "none" => None: "there is no brake",
    "amplifier" => Amplifier: "the amplifier drives the brake",
    "controller" => Controller: "the customer's controller drives the brake",
});
words!(Mounting {
    "free_shaft" => FreeShaft: "nothing on the shaft but a disc",
    "coupled" => Coupled: "a machine or load is connected",
    "vertical" => Vertical: "gravity moves the load",
});
words!(TorqueShown {
    "reference" => Reference: "the torque asked for inside the amplifier: proves the scale only",
    "actual" => Actual: "the torque made, from measured current",
});
words!(DisplayShown {
    "command" => Command: "the command, scaled, before anything limits it: proves the scale only",
    "reference" => Reference: "the torque asked for after all limits",
    "actual" => Actual: "the torque made, from measured current",
});
words!(Delimiter {
    "semicolon" => Semicolon: "a semicolon",
    "comma" => Comma: "a comma (RFC 4180)",
    "tab" => Tab: "a tabulator",
});
words!(DecimalSign {
    "point" => Point: "a point",
    "comma" => Comma: "a comma",
});
words!(TextEncoding {
    "utf-8" => Utf8: "UTF-8",
    "utf-16" => Utf16Le: "UTF-16, low byte first unless a byte order mark says otherwise",
    "utf-16be" => Utf16Be: "UTF-16, high byte first",
    "windows-1250" => Windows1250: "central European",
    "windows-1251" => Windows1251: "Cyrillic",
    "windows-1252" => Windows1252: "western European",
    "windows-1253" => Windows1253: "Greek",
    "windows-1254" => Windows1254: "Turkish",
    "windows-1255" => Windows1255: "Hebrew",
    "windows-1256" => Windows1256: "Arabic",
    "windows-1257" => Windows1257: "Baltic",
    "windows-1258" => Windows1258: "Vietnamese",
    "shift_jis" => ShiftJis: "Japanese",
});
words!(SettingTarget {
    "torque_gain" => TorqueGain: "torque for a volt of command",
    "speed_gain" => SpeedGain: "speed for a volt of command",
    "speed_cap" => SpeedCap: "highest speed",
    "pulses" => Pulses: "divided encoder output",
    "torque_read_out" => TorqueReadOut: "scale of the torque read-out",
    "speed_read_out" => SpeedReadOut: "scale of the speed read-out",
});
words!(SettingForm {
    "percent_of_rated_torque_per_volt" => PercentPerVolt: "% of rated torque for a volt",
    "newton_metres_per_volt" => NewtonMetresPerVolt: "N·m for a volt",
    "volts_at_rated_torque" => VoltsAtRatedTorque: "V for rated torque",
    "percent_of_rated_torque_at_ten_volts" => PercentAtTenVolts: "% of rated torque at 10 V",
    "rpm_per_volt" => RpmPerVolt: "rpm for a volt",
    "volts_at_rated_speed" => VoltsAtRatedSpeed: "V for rated speed",
    "rpm_at_ten_volts" => RpmAtTenVolts: "rpm at 10 V",
    "rpm" => Rpm: "rpm",
    "percent_of_rated_speed" => PercentOfRatedSpeed: "% of rated speed",
    "percent_of_maximum_speed" => PercentOfMaximumSpeed: "% of the motor's highest mechanical speed",
    "pulses_per_revolution" => PulsesPerRevolution: "pulses (full cycles of phase A) per revolution",
    "counts_per_revolution" => CountsPerRevolution: "counts (four to the pulse) per revolution",
    "volts_per_thousand_rpm" => VoltsPerThousandRpm: "V for 1000 rpm",
});
words!(EntryKind {
    "value" => Value: "the value",
    "steps" => Steps: "the number of steps",
});
