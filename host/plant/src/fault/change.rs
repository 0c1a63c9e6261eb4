//! What each fault changes.

mod mechanics;
mod settings;
mod wiring;

use proofstand_units::{Hertz, Percent, RpmPerVolt, Seconds, Volts};

use super::{Fault, FaultError};
use crate::check::check;
use crate::encoder::Line;
use crate::setup::{
    CalibrationFound, CapLaw, CommandMode, CountLoss, EnableInput, EndSwitches, FlagSource, PairNoise,
    PlantSetup, Regeneration,
};

/// Bursts per second on pairs without their 0 V, at rated torque.
const NO_GROUND: Hertz = Hertz::new(400.0);
/// Of the counts above the rate at which a doubly terminated pair fails, so many are lost.
const DOUBLY_TERMINATED: Percent = Percent::new(5.0);
/// It fails altogether, and is reported, at so much more than that rate.
const REPORTED_ABOVE: f64 = 1.15;

/// What is left of something that is less by this share.
fn left(less: Percent) -> f64 {
    1.0 - less.get() / 100.0
}

impl Fault {
    /// Puts the fault into a healthy setup.
    ///
    /// # Errors
    /// The setup can't have it; the setup is then as it was.
    pub fn apply(self, setup: &mut PlantSetup) -> Result<(), FaultError> {
        let mut faulty = setup.clone();
        self.change(&mut faulty)?;
        check(&faulty).map_err(|why| FaultError::DoesNotFit { name: self.name(), why })?;
        *setup = faulty;
        Ok(())
    }

    const fn lacks<T>(self, lacks: &'static str) -> Result<T, FaultError> {
        Err(FaultError::Lacks { name: self.name(), lacks })
    }

    /// What keeps an axis from having it.
    fn fits(self, setup: &PlantSetup) -> Result<(), FaultError> {
        let amplifier = &setup.amplifier;
        let by_speed = matches!(amplifier.mode, CommandMode::Speed { .. });
        let obeyed = amplifier.end_switches.obeyed();
        match self {
            Self::GainOfPeak
            | Self::CapDrooping(_)
            | Self::CapHunting
            | Self::TorqueLimited(_)
            | Self::Gravity(_)
            | Self::Heating(_)
            | Self::CouplingSlips(_)
            | Self::InertiaMore(_)
            | Self::TorqueConstantLess(_)
                if by_speed =>
            {
                Err(FaultError::OfTorqueOnly { name: self.name() })
            }
            Self::CouplingSlips(_) if setup.motor.added_inertia.get() <= 0.0 => {
                self.lacks("nothing is on the shaft that could slip")
            }
            Self::SpeedLoopSlow(_) | Self::SpeedLoopHunts(_) if !by_speed => {
                self.lacks("it takes a torque command and has no speed loop")
            }
            Self::ReadOutMore(_) if !setup.wiring.torque_readout => self.lacks("it has no torque read-out"),
            Self::EndSwitchesIgnored | Self::EndSwitchesUnwired if obeyed == [false; 2] => {
                self.lacks("its amplifier ignores end switches anyway")
            }
            Self::EndSwitchesObeyed if obeyed == [true; 2] => {
                self.lacks("its amplifier obeys both end switches anyway")
            }
            Self::BrakeClosed | Self::BrakeLate(_) | Self::EnableAlwaysBraked
                if setup.motor.brake.is_none() =>
            {
                self.lacks("it has no holding brake")
            }
            Self::BrakeUnasked if setup.motor.brake.is_some() => self.lacks("it has a holding brake"),
            Self::BrakeUnasked if amplifier.when_disabled != crate::setup::WhenDisabled::Coast => {
                self.lacks("it is braked when it is disabled anyway")
            }
            Self::CapNotSet | Self::CapOneDirection | Self::CapNotStored | Self::CapNotInForce
                if amplifier.cap.backward >= setup.motor.highest_speed =>
            {
                self.lacks("its cap is the mechanical maximum")
            }
            _ => Ok(()),
        }
    }

    #[expect(clippy::too_many_lines, reason = "an arm for each fault")]
    fn change(self, setup: &mut PlantSetup) -> Result<(), FaultError> {
        self.fits(setup)?;
        let amplifier = &mut setup.amplifier;
        let wiring = &mut setup.wiring;
        let fixture = &mut setup.fixture;
        match self {
            Self::PulsesForCounts => settings::rescale_pulses(setup, 1, 4),
            Self::CountsForPulses => settings::rescale_pulses(setup, 4, 1),
            Self::DirectionMirrored => settings::mirror(setup),
            Self::GainDoubled => settings::scale_gain(&mut amplifier.mode, 2.0),
            Self::GainHalved => settings::scale_gain(&mut amplifier.mode, 0.5),
            Self::GainOfPeak => {
                settings::scale_gain(&mut amplifier.mode, amplifier.torque_limit.get() / 100.0);
            }
            Self::Offset(size) => amplifier.input_offset = amplifier.input_offset + size,
            Self::DeadBand(size) => amplifier.dead_band = size,
            Self::CapNotSet => {
                amplifier.cap.forward = setup.motor.highest_speed;
                amplifier.cap.backward = setup.motor.highest_speed;
            }
            Self::CapOneDirection => amplifier.cap.backward = setup.motor.highest_speed,
            Self::CapDrooping(size) => {
                let band = amplifier.cap.forward.min(amplifier.cap.backward) * (size.get() / 100.0);
                amplifier.cap.law = CapLaw::Proportional { band };
            }
            Self::CapHunting => settings::hunt(setup),
            Self::TorqueLimited(size) => amplifier.torque_limit = size,
            Self::LimitOpen => amplifier.limit_open = true,
            Self::ModeUnselected => amplifier.command_ignored = true,
            Self::EnableAlways => amplifier.enable_input = EnableInput::AlwaysOn,
            Self::EnableAlwaysBraked => {
                amplifier.enable_input = EnableInput::AlwaysOn;
                amplifier.brake_by_contact = true;
            }
            Self::EnableInverted => amplifier.enable_input = EnableInput::Inverted,
            Self::EnableDead => amplifier.enable_input = EnableInput::Dead,
            Self::EndSwitchesObeyed => amplifier.end_switches = EndSwitches::Obeyed,
            Self::EndSwitchesIgnored => amplifier.end_switches = EndSwitches::Ignored,
            Self::EndSwitchesSwapped => {
                amplifier.end_switches = EndSwitches::Obeyed;
                wiring.end_switches_swapped ^= true;
            }
            Self::EndSwitchesUnwired => wiring.end_switches_unwired = true,
            Self::ResponseSlow(size) => amplifier.input_filter = size,
            Self::SpeedLoopSlow(size) => settings::retune(&mut amplifier.mode, left(size), 1.0),
            Self::SpeedLoopHunts(size) => settings::retune(&mut amplifier.mode, 1.0, left(size)),
            Self::ReadOutMore(size) => {
                let readout = &mut amplifier.torque_readout;
                readout.at_rated = readout.at_rated * (1.0 + size.get() / 100.0);
            }
            Self::SpeedReadOutMore(size) => {
                let readout = &mut amplifier.speed_readout;
                readout.scale = RpmPerVolt::new(readout.scale.get() / (1.0 + size.get() / 100.0));
            }
            Self::BrakeLate(size) => amplifier.brake_after = size,
            Self::BusOvervoltage(size) => {
                let energy = mechanics::energy_at_cap(setup) * (size.get() / 100.0);
                let bleed = proofstand_units::Watts::ZERO;
                setup.amplifier.regeneration = Regeneration::Absorbs { energy, bleed };
            }
            Self::GainNotStored => settings::forgets(setup, Self::GainHalved)?,
            Self::GainNotInForce => settings::waits(setup, Self::GainHalved)?,
            Self::PulsesNotStored => settings::forgets(setup, Self::PulsesForCounts)?,
            Self::PulsesNotInForce => settings::waits(setup, Self::PulsesForCounts)?,
            Self::CapNotStored => settings::forgets(setup, Self::CapNotSet)?,
            Self::CapNotInForce => settings::waits(setup, Self::CapNotSet)?,

            Self::CommandReversed => wiring.command_swapped ^= true,
            Self::CommandOpen => wiring.command_loss = Percent::new(100.0),
            Self::InputLoaded(size) => wiring.command_loss = size,
            Self::EncoderSwapped => wiring.encoder_swapped ^= true,
            Self::EncoderAReversed => wiring.a_reversed ^= true,
            Self::EncoderBReversed => wiring.b_reversed ^= true,
            Self::EncoderUnwired => wiring.encoder_connected = false,
            Self::EncoderAOpen => wiring::dead(setup, Line::A, true),
            Self::EncoderBOpen => wiring::dead(setup, Line::B, true),
            Self::IndexOpen => wiring::dead(setup, Line::Z, true),
            Self::PhaseDead => wiring::dead(setup, Line::A, false),
            Self::IndexMissing => wiring.index_connected = false,
            Self::IndexInverted => wiring::invert_index(setup),
            Self::IndexOneWay => setup.encoder.index_one_way = true,
            Self::IndexDrops(share) => wiring.index_drops = share,
            Self::FlagElsewhere => wiring::flag_elsewhere(self, setup)?,
            Self::FlagInverted => {
                let input = wiring::cap_input(self, setup)?;
                if let Some(wire) = &mut setup.wiring.flags[input] {
                    wire.conducts_when_active ^= true;
                }
            }
            Self::FlagDead | Self::FlagReversed => {
                let input = wiring::cap_input(self, setup)?;
                setup.wiring.flags[input] = None;
            }
            Self::ReadyFlagDead => wiring::flag_dead(self, setup, FlagSource::Ready)?,
            Self::TorqueFlagDead => wiring::flag_dead(self, setup, FlagSource::TorqueOn)?,
            Self::FaultFlagDead => wiring::flag_dead(self, setup, FlagSource::Fault)?,
            Self::FlagWrongCommon => wiring::flag_says(self, setup, FlagSource::Supply)?,
            Self::FlagShared => wiring::flag_shared(self, setup)?,
            Self::TorqueOffOpen => wiring.torque_off_open = true,
            Self::MotorPowerAbsent => {
                wiring.motor_power_absent = true;
                setup.operator.motor_power = false;
            }
            Self::WrongPhase => wiring.phases_swapped ^= true,
            Self::CommutationReversed => wiring.commutation_reversed ^= true,

            Self::AmplifierFault => amplifier.faulty = true,
            Self::InertiaMore(size) => {
                setup.motor.rotor_inertia = setup.motor.rotor_inertia * (1.0 + size.get() / 100.0);
            }
            Self::TorqueConstantLess(size) => {
                amplifier.torque_constant = amplifier.torque_constant * (1.0 - size.get() / 100.0);
            }
            Self::Heating(size) => setup.motor.heating = size,
            Self::CouplingSlips(size) => setup.motor.slips_above = Some(mechanics::share(setup, size)),
            Self::Gravity(size) => setup.motor.load = mechanics::share(setup, size),
            Self::BrakeClosed => wiring.brake_unwired = true,
            Self::BrakeUnasked => setup.motor.brake = Some(mechanics::unasked_brake(setup)),

            Self::FixtureDrifted(size) => wiring.output_drift = size,
            Self::ConverterStuck => fixture.converter_stuck = Some(Volts::ZERO),
            Self::OutputContactWelded => fixture.output_welded = true,
            Self::EnableContactWelded => fixture.enable_welded = true,
            Self::ReadBackOff(size) => fixture.read_back_less = size,
            Self::CounterLoses(share) => {
                wiring.count_loss = Some(CountLoss { above: Hertz::ZERO, share });
            }
            Self::CalibrationExpired => fixture.calibration = CalibrationFound::Expired,
            Self::CalibrationCorrupt => fixture.calibration = CalibrationFound::Corrupt,
            Self::CalibrationForeign => fixture.calibration = CalibrationFound::Foreign,
            Self::FixtureRestarts(after) => fixture.restarts_after = Some(after),

            Self::IndexNoisy(size) => wiring.index_noise = size,
            Self::EncoderNoise(rate) => wiring.pair_noise = Some(PairNoise { rate, with_torque: false }),
            Self::EncoderNoGround => {
                wiring.pair_noise = Some(PairNoise { rate: NO_GROUND, with_torque: true });
            }
            Self::EncoderDoublyTerminated(size) => {
                let above = mechanics::rate_at_cap(setup) * (size.get() / 100.0);
                setup.wiring.count_loss = Some(CountLoss { above, share: DOUBLY_TERMINATED });
                setup.wiring.alarm_above = Some(above * REPORTED_ABOVE);
            }
            Self::IndexDoublyTerminated(size) => {
                let above = mechanics::rate_at_cap(setup) * (size.get() / 100.0);
                setup.wiring.index_lost_above = Some(above);
                setup.wiring.alarm_above = Some(above * REPORTED_ABOVE);
            }
            Self::EncoderUnterminated(size) => {
                let between = 1.0 / mechanics::rate_at_cap(setup).get();
                setup.wiring.ringing = Some(Seconds::new(between * size.get() / 100.0));
            }
            Self::PhaseError(size) => setup.encoder.phase_error = size,
            Self::DutyError(size) => setup.encoder.duty_error = size,
            Self::CountsLost(share) => {
                let above = mechanics::rate_at_cap(setup) * 0.5;
                setup.wiring.count_loss = Some(CountLoss { above, share });
            }
            Self::AmplifierRestarts(after) => amplifier.dips_after = Some(after),
        }
        Ok(())
    }
}
