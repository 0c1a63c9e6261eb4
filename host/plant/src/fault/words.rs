//! Names of faults, and a line on each.

use super::Fault;

/// Name and description.
#[expect(clippy::too_many_lines, reason = "a table")]
pub(super) const fn words(fault: Fault) -> (&'static str, &'static str) {
    match fault {
        Fault::PulsesForCounts => {
            ("pulses-for-counts", "the setting takes counts and got pulses: a quarter of the pulses come out")
        }
        Fault::CountsForPulses => {
            ("counts-for-pulses", "the setting takes pulses and got counts: four times the pulses come out")
        }
        Fault::DirectionMirrored => {
            ("direction-mirrored", "motion and counting both reversed: only a look at the shaft tells")
        }
        Fault::GainDoubled => ("gain-doubled", "twice the gain stated"),
        Fault::GainHalved => ("gain-halved", "half the gain stated"),
        Fault::GainOfPeak => ("gain-of-peak", "percent of peak torque taken for percent of rated torque"),
        Fault::Offset(_) => ("offset", "zero error of the command input, in volts"),
        Fault::DeadBand(_) => ("dead-band", "dead band of the command input, in volts"),
        Fault::CapNotSet => ("cap-not-set", "speed cap left at the mechanical maximum"),
        Fault::CapOneDirection => ("cap-one-direction", "speed cap set in one direction only"),
        Fault::CapDrooping(_) => {
            ("cap-drooping", "speed cap without integral part, over a band in percent of the cap")
        }
        Fault::CapHunting => {
            ("cap-hunting", "speed cap with an integral part too quick for the rotor: it hunts")
        }
        Fault::TorqueLimited(_) => ("torque-limited", "torque limit too low, in percent of rated torque"),
        Fault::LimitOpen => ("limit-open", "speed cap taken from an analog input that is left open: 0 rpm"),
        Fault::ModeUnselected => {
            ("mode-unselected", "command mode not selected: the command is not looked at")
        }
        Fault::EnableAlways => ("enable-always", "enable taken as always given"),
        Fault::EnableAlwaysBraked => (
            "enable-always-braked",
            "enable taken as always given, and the holding brake closes with the contact open",
        ),
        Fault::EnableInverted => ("enable-inverted", "enable inverted: torque comes with the contact open"),
        Fault::EndSwitchesObeyed => ("end-switches-obeyed", "end switches obeyed by the amplifier"),
        Fault::EndSwitchesIgnored => ("end-switches-ignored", "end switches ignored by the amplifier"),
        Fault::ResponseSlow(_) => ("response-slow", "a filter on the command, its time constant in seconds"),
        Fault::SpeedLoopSlow(_) => {
            ("speed-loop-slow", "gain of the speed loop too low, by this share in percent")
        }
        Fault::SpeedLoopHunts(_) => {
            ("speed-loop-hunts", "integral time of the speed loop too short, by this share in percent")
        }
        Fault::ReadOutMore(_) => {
            ("read-out-more", "torque read-out shows more than its scale says, in percent")
        }
        Fault::SpeedReadOutMore(_) => {
            ("speed-read-out-more", "speed read-out shows more than its scale says, in percent")
        }
        Fault::BrakeLate(_) => ("brake-late", "holding brake released so long after torque, in seconds"),
        Fault::BusOvervoltage(_) => (
            "bus-overvoltage",
            "bus takes up too little braking energy, in percent of the rotor's at the cap",
        ),
        Fault::GainNotStored => ("gain-not-stored", "scale right until control power was off, then half"),
        Fault::GainNotInForce => ("gain-not-in-force", "scale half until control power was off, then right"),
        Fault::PulsesNotStored => {
            ("pulses-not-stored", "pulses right until control power was off, then a quarter")
        }
        Fault::PulsesNotInForce => {
            ("pulses-not-in-force", "pulses a quarter until control power was off, then right")
        }
        Fault::CapNotStored => {
            ("cap-not-stored", "speed cap set until control power was off, then at the mechanical maximum")
        }
        Fault::CapNotInForce => {
            ("cap-not-in-force", "speed cap at the mechanical maximum until control power was off, then set")
        }
        Fault::CommandReversed => ("command-reversed", "wires of the command pair swapped: motion reversed"),
        Fault::CommandOpen => ("command-open", "command pair not connected"),
        Fault::InputLoaded(_) => ("input-loaded", "command source loaded, loss in percent"),
        Fault::EncoderSwapped => ("encoder-swapped", "A and B swapped: counting reversed"),
        Fault::EncoderAReversed => ("encoder-a-reversed", "wires of pair A swapped: counting reversed"),
        Fault::EncoderBReversed => ("encoder-b-reversed", "wires of pair B swapped: counting reversed"),
        Fault::EncoderUnwired => ("encoder-unwired", "encoder pairs not connected"),
        Fault::EncoderAOpen => ("encoder-a-open", "a wire of pair A open"),
        Fault::EncoderBOpen => ("encoder-b-open", "a wire of pair B open"),
        Fault::IndexOpen => ("index-open", "a wire of the index pair open"),
        Fault::PhaseDead => ("phase-dead", "pair A driven, and never changing"),
        Fault::IndexMissing => ("index-missing", "index pair driven, and never changing"),
        Fault::IndexInverted => ("index-inverted", "index high all the way round but where it should be"),
        Fault::IndexOneWay => ("index-one-way", "index only while the counts rise"),
        Fault::IndexDrops(_) => {
            ("index-drops", "index pulse missing at this share of its passes, in percent")
        }
        Fault::FlagElsewhere => ("flag-elsewhere", "cap flag on another input"),
        Fault::FlagInverted => ("flag-inverted", "cap flag with the other sense"),
        Fault::FlagDead => ("flag-dead", "cap flag not connected"),
        Fault::FlagReversed => {
            ("flag-reversed", "wires of the cap flag's pair swapped: it never conducts, as a dead one")
        }
        Fault::ReadyFlagDead => ("ready-flag-dead", "flag that it can be enabled never comes"),
        Fault::TorqueFlagDead => ("torque-flag-dead", "flag of torque on never comes"),
        Fault::FaultFlagDead => ("fault-flag-dead", "flag of a fault, which opens on one, never conducts"),
        Fault::FlagWrongCommon => {
            ("flag-wrong-common", "cap flag's pair closed through a wrong common: it always conducts")
        }
        Fault::FlagShared => ("flag-shared", "cap flag shares its pair with the flag of torque on"),
        Fault::EnableDead => ("enable-dead", "enable never reaches the amplifier"),
        Fault::EndSwitchesSwapped => ("end-switches-swapped", "end switches obeyed, and swapped"),
        Fault::EndSwitchesUnwired => ("end-switches-unwired", "end switches obeyed, and not connected"),
        Fault::TorqueOffOpen => ("torque-off-open", "torque-off input open: the amplifier can't be enabled"),
        Fault::MotorPowerAbsent => ("motor-power-absent", "no motor power: the amplifier can't be enabled"),
        Fault::WrongPhase => ("wrong-phase", "two motor phases swapped: the rotor jumps and locks"),
        Fault::CommutationReversed => (
            "commutation-reversed",
            "motor's field half a cycle off: it turns the wrong way with all its torque",
        ),
        Fault::AmplifierFault => ("amplifier-fault", "amplifier in a fault that nothing clears"),
        Fault::InertiaMore(_) => ("inertia-more", "rotor's inertia more than stated, in percent"),
        Fault::TorqueConstantLess(_) => (
            "torque-constant-less",
            "motor makes less torque of its current than the amplifier assumes, in percent",
        ),
        Fault::Heating(_) => ("heating", "torque constant falls under load, in percent when warm"),
        Fault::CouplingSlips(_) => {
            ("coupling-slips", "disc slips on the shaft above so much torque, in percent of rated torque")
        }
        Fault::Gravity(_) => ("gravity", "a hanging weight on the shaft, in percent of rated torque"),
        Fault::BrakeClosed => ("brake-closed", "holding brake stays closed"),
        Fault::BrakeUnasked => {
            ("brake-unasked", "holding brake closes with torque off, where the shaft should coast")
        }
        Fault::FixtureDrifted(_) => {
            ("fixture-drifted", "the fixture's own output above its calibration, in percent")
        }
        Fault::ConverterStuck => ("converter-stuck", "the fixture's output converter stands still"),
        Fault::OutputContactWelded => {
            ("output-contact-welded", "the fixture's change-over contact of the command welded")
        }
        Fault::EnableContactWelded => {
            ("enable-contact-welded", "the fixture's enable contact welded once it has closed")
        }
        Fault::ReadBackOff(_) => {
            ("read-back-off", "the fixture's read-back at the terminal too low, in percent")
        }
        Fault::CounterLoses(_) => {
            ("counter-loses", "the fixture's counter loses counts at any speed, in percent")
        }
        Fault::CalibrationExpired => ("calibration-expired", "the fixture's calibration out of date"),
        Fault::CalibrationCorrupt => ("calibration-corrupt", "the fixture's calibration record damaged"),
        Fault::CalibrationForeign => ("calibration-foreign", "the fixture's calibration another board's"),
        Fault::FixtureRestarts(_) => {
            ("fixture-restarts", "the fixture restarts after so many seconds of enable")
        }
        Fault::IndexNoisy(_) => ("index-noisy", "false pulses on the index, per second"),
        Fault::EncoderNoise(_) => ("encoder-noise", "bursts of noise on pairs A and B, per second"),
        Fault::EncoderNoGround => (
            "encoder-no-ground",
            "0 V of the encoder pairs not connected: disturbed while the motor is driven",
        ),
        Fault::EncoderDoublyTerminated(_) => (
            "encoder-doubly-terminated",
            "pairs terminated twice: the receivers fail above this share of the rate at the cap, in percent",
        ),
        Fault::IndexDoublyTerminated(_) => (
            "index-doubly-terminated",
            "pair Z terminated twice: its receiver fails above this share of the rate at the cap, in percent",
        ),
        Fault::EncoderUnterminated(_) => (
            "encoder-unterminated",
            "pairs not terminated: reflections die away in this share of the time between edges at the cap, in percent",
        ),
        Fault::PhaseError(_) => ("phase-error", "phase B late, in degrees of the cycle"),
        Fault::DutyError(_) => {
            ("duty-error", "phase A high for longer than half of the cycle, in degrees of it")
        }
        Fault::CountsLost(_) => {
            ("counts-lost", "counts lost at speed, in percent of those above half the rate at the cap")
        }
        Fault::AmplifierRestarts(_) => {
            ("amplifier-restarts", "the amplifier's control power dips after so many seconds of torque")
        }
    }
}
