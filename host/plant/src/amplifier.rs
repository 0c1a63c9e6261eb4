//! The amplifier: from command volts to torque, the gate, faults, flags and read-outs.

use crate::coefficients::Coefficients;
use crate::flags::{Delayed, FlagLines};
use crate::floats::{greater, within};
use crate::limiter::Limiter;
use crate::random::{Random, normal_of};
use crate::setup::{
    CommandMode, DisplayShown, EnableInput, FlagSource, PlantSetup, Regeneration, TorqueDisplay, TorqueShown,
    WhenDisabled,
};
use crate::time::nanos;

/// One read-out's state.
#[derive(Debug, Clone)]
struct Output {
    per_unit: f64,
    offset: f64,
    noise: f64,
    range: f64,
    filtered: f64,
    /// What the noise of the last step is made of; it is looked at far less often than it is drawn.
    drawn: Option<u64>,
}

impl Output {
    fn new(per_unit: f64, output: crate::setup::AnalogOutput) -> Self {
        let (offset, noise, range) = (output.offset.get(), output.noise.get(), output.range.get());
        Self { per_unit, offset, noise, range, filtered: 0.0, drawn: None }
    }

    /// Draws the noise of a step.
    #[inline]
    fn draw(&mut self, random: &mut Random) {
        if self.noise > 0.0 {
            self.drawn = Some(random.bits());
        }
    }

    fn volts(&self) -> f64 {
        let noise = self.drawn.map_or(0.0, |bits| self.noise * normal_of(bits));
        (self.filtered * self.per_unit + self.offset + noise).clamp(-self.range, self.range)
    }
}

/// Everything that the amplifier knows; forward (where positive command drives) is positive.
#[derive(Debug, Clone)]
pub(crate) struct Amplifier {
    forward: f64,
    input_range: f64,
    input_offset: f64,
    dead_band: f64,
    input_noise: f64,
    limiter: Limiter,
    filtered_command: f64,
    asked: f64,
    torque: f64,
    mean_torque: f64,
    measured_speed: f64,
    cap_inverse: [f64; 2],
    cap_share: f64,
    flag_on: f64,
    flag_off: f64,
    flag_on_delay: u64,
    flag_off_delay: u64,
    cap_flag: Delayed,
    gate: Delayed,
    enable_delay: u64,
    disable_delay: u64,
    enable_input: EnableInput,
    command_ignored: bool,
    limit_open: bool,
    /// What takes torque off is open, or there is a fault that nothing clears.
    torque_off: bool,
    faulty: bool,
    brake_after: u64,
    brake_by_contact: bool,
    dynamic_brake: bool,
    brake_release: u64,
    brake_close: u64,
    brake_asked: Delayed,
    brake_released: Delayed,
    overspeed: f64,
    bus_limit: f64,
    bus_bleed: f64,
    bus: f64,
    fault: bool,
    clear_seen: bool,
    control_power: bool,
    motor_power: bool,
    start_up: u64,
    /// Start-up is over.
    started: Delayed,
    ready: bool,
    /// Something has happened, other than time, that settling has to look at.
    touched: bool,
    torque_shows: TorqueShown,
    torque_out: Output,
    speed_out: Output,
    display: TorqueDisplay,
    /// Percent of rated torque that a volt asks for; none where volts ask for speed.
    percent_per_volt: Option<f64>,
    rated: f64,
    /// Torque made for torque taken for granted.
    torque_factor: f64,
}

/// What the display makes of the command.
const fn percent_per_volt(mode: &CommandMode) -> Option<f64> {
    match mode {
        CommandMode::Torque { gain } => Some(gain.get()),
        CommandMode::Speed { .. } => None,
    }
}

/// With the field half a cycle off the motor turns against what the amplifier takes for granted.
pub(crate) const fn torque_sign(setup: &PlantSetup) -> f64 {
    if setup.wiring.commutation_reversed { -1.0 } else { 1.0 }
}

impl Amplifier {
    pub(crate) fn new(setup: &PlantSetup) -> Self {
        let a = &setup.amplifier;
        let (bus_limit, bus_bleed) = match a.regeneration {
            Regeneration::Resistor => (f64::INFINITY, 0.0),
            Regeneration::Absorbs { energy, bleed } => (energy.get(), bleed.get()),
        };
        let kept_off = setup.wiring.torque_off_open || a.faulty;
        let ready = setup.operator.control_power && setup.operator.motor_power && !kept_off;
        let (brake_release, brake_close) =
            setup.motor.brake.map_or((0, 0), |brake| (nanos(brake.release_delay), nanos(brake.close_delay)));
        Self {
            forward: a.forward.sign(),
            input_range: a.input_range.get(),
            input_offset: a.input_offset.get(),
            dead_band: a.dead_band.get(),
            input_noise: a.input_noise.get(),
            limiter: Limiter::new(setup),
            filtered_command: 0.0,
            asked: 0.0,
            torque: 0.0,
            mean_torque: 0.0,
            measured_speed: 0.0,
            cap_inverse: [
                1.0 / a.cap.forward.to_rad_per_sec().get(),
                1.0 / a.cap.backward.to_rad_per_sec().get(),
            ],
            cap_share: 0.0,
            flag_on: a.cap_flag.on_at.get() / 100.0,
            flag_off: a.cap_flag.off_at.get() / 100.0,
            flag_on_delay: nanos(a.cap_flag.on_delay),
            flag_off_delay: nanos(a.cap_flag.off_delay),
            cap_flag: Delayed::new(false),
            gate: Delayed::new(false),
            enable_delay: nanos(a.enable_delay),
            disable_delay: nanos(a.disable_delay),
            enable_input: a.enable_input,
            command_ignored: a.command_ignored,
            limit_open: a.limit_open,
            torque_off: setup.wiring.torque_off_open,
            faulty: a.faulty,
            brake_after: nanos(a.brake_after),
            brake_by_contact: a.brake_by_contact,
            dynamic_brake: matches!(a.when_disabled, WhenDisabled::DynamicBrake { .. }),
            brake_release,
            brake_close,
            brake_asked: Delayed::new(false),
            brake_released: Delayed::new(false),
            overspeed: a.overspeed.to_rad_per_sec().get(),
            bus_limit,
            bus_bleed,
            bus: 0.0,
            fault: a.faulty,
            clear_seen: false,
            control_power: setup.operator.control_power,
            motor_power: setup.operator.motor_power,
            start_up: nanos(a.start_up),
            started: Delayed::new(setup.operator.control_power),
            ready,
            touched: true,
            display: a.display,
            percent_per_volt: percent_per_volt(&setup.amplifier.mode),
            rated: a.rated_torque.get(),
            torque_factor: a.torque_constant.get() / 100.0 * torque_sign(setup),
            torque_shows: a.torque_readout.shows,
            torque_out: Output::new(
                a.torque_readout.at_rated.get() / a.rated_torque.get(),
                a.torque_readout.output,
            ),
            speed_out: Output::new(
                60.0 / core::f64::consts::TAU / a.speed_readout.scale.get(),
                a.speed_readout.output,
            ),
        }
    }

    /// States that the flags show before time begins.
    pub(crate) fn preset(&self, flags: &mut FlagLines) {
        flags.preset(FlagSource::Ready, self.ready);
        flags.preset(FlagSource::Fault, self.fault);
    }

    pub(crate) const fn gate_on(&self) -> bool {
        self.gate.state()
    }

    pub(crate) const fn fault(&self) -> bool {
        self.fault
    }

    /// Encoder output and read-outs are alive: control power is on and start-up over.
    pub(crate) const fn outputs_live(&self) -> bool {
        self.started.state()
    }

    pub(crate) const fn control_power(&self) -> bool {
        self.control_power
    }

    /// The dynamic brake drags on the shaft.
    #[inline]
    pub(crate) const fn braking(&self) -> bool {
        self.dynamic_brake && !self.gate.state()
    }

    /// The holding brake's mechanics have let go, as far as the amplifier sees to it.
    pub(crate) const fn brake_released(&self) -> bool {
        self.brake_released.state()
    }

    /// Torque in shares of rated, as a magnitude, mean over the last step.
    #[inline]
    pub(crate) fn load_share(&self) -> f64 {
        self.mean_torque.abs() / self.rated
    }

    /// Torque made for torque taken for granted changes to this.
    pub(crate) const fn set_torque_factor(&mut self, factor: f64) {
        self.torque_factor = factor;
    }

    /// Torque on the shaft, clockwise, mean over the last step.
    pub(crate) fn torque_clockwise(&self) -> f64 {
        self.mean_torque * self.forward * self.torque_factor
    }

    /// Percent of rated torque on the display, positive where positive command drives.
    pub(crate) fn display(&self) -> f64 {
        let percent = |torque: f64| 100.0 * torque / self.rated;
        let shown = match (self.display.shows, self.percent_per_volt) {
            (DisplayShown::Command, Some(gain)) => gain * self.filtered_command,
            (DisplayShown::Actual, _) => percent(self.mean_torque),
            _ => percent(self.asked),
        };
        let step = self.display.step.get();
        (shown / step).round() * step
    }

    /// Energy held by the bus above its idle state.
    pub(crate) const fn bus_energy(&self) -> f64 {
        self.bus
    }

    /// Next moment at which a state changes by itself, in nanoseconds; steps must end there.
    #[inline]
    pub(crate) fn next_change(&self) -> u64 {
        self.gate.due().min(self.brake_asked.due()).min(self.brake_released.due()).min(self.started.due())
    }

    pub(crate) fn set_control_power(&mut self, on: bool, now: u64, flags: &mut FlagLines) {
        if on == self.control_power {
            return;
        }
        self.control_power = on;
        self.touched = true;
        if on {
            self.started.want(true, now, self.start_up);
        } else {
            self.started.force(false);
            self.fault = self.faulty;
            self.bus = 0.0;
            self.filtered_command = 0.0;
            flags.set(FlagSource::Fault, self.fault, now);
        }
        flags.power(on, now);
    }

    /// Settings as they are after a power cycle: scale, limits, caps.
    pub(crate) fn adopt(&mut self, setup: &PlantSetup) {
        let cap = setup.amplifier.cap;
        self.limiter = Limiter::new(setup);
        self.cap_inverse = [cap.forward, cap.backward].map(|speed| 1.0 / speed.to_rad_per_sec().get());
        self.percent_per_volt = percent_per_volt(&setup.amplifier.mode);
    }

    pub(crate) const fn set_motor_power(&mut self, on: bool) {
        self.motor_power = on;
    }

    /// A step ended `now`, and nothing but time has passed in it: [`Self::settle`] has nothing to do while the contacts stay.
    #[inline]
    pub(crate) fn is_settled(&self, now: u64, next_change: u64) -> bool {
        now < next_change && !self.touched
    }

    /// Brings gate, brake and ready up to `now`; the contacts are as given from now on.
    #[inline]
    pub(crate) fn settle(&mut self, now: u64, enable: bool, clear: bool, flags: &mut FlagLines) {
        self.touched = false;
        let contact = enable;
        let enable = match self.enable_input {
            EnableInput::Follows => enable,
            EnableInput::Dead => false,
            EnableInput::AlwaysOn => true,
            EnableInput::Inverted => !enable,
        };
        let _ = self.started.poll(now);
        if clear
            && !self.clear_seen
            && self.fault
            && !self.faulty
            && !enable
            && self.measured_speed.abs() < self.overspeed
        {
            self.fault = false;
            self.bus = 0.0;
            flags.set(FlagSource::Fault, false, now);
        }
        self.clear_seen = clear;
        let ready = self.started.state() && self.motor_power && !self.fault && !self.torque_off;
        if ready != self.ready {
            self.ready = ready;
            flags.set(FlagSource::Ready, ready, now);
        }
        if ready {
            let delay = if enable { self.enable_delay } else { self.disable_delay };
            self.gate.want(enable, now, delay);
            if let Some((on, at)) = self.gate.poll(now) {
                self.gate_changed(on, at, flags);
            }
        } else if self.gate.wanted() || self.gate.state() {
            let was_on = self.gate.state();
            self.gate.force(false);
            if was_on {
                self.gate_changed(false, now, flags);
            }
        }
        if self.brake_by_contact && contact != self.brake_asked.wanted() {
            self.brake_asked.force(contact);
            self.ask_for_brake(contact, now, flags);
        }
        if let Some((asked, at)) = self.brake_asked.poll(now) {
            self.ask_for_brake(asked, at, flags);
        }
        let _ = self.brake_released.poll(now);
    }

    fn ask_for_brake(&mut self, release: bool, at: u64, flags: &mut FlagLines) {
        flags.set(FlagSource::BrakeRelease, release, at);
        self.brake_released.want(release, at, if release { self.brake_release } else { self.brake_close });
    }

    fn gate_changed(&mut self, on: bool, at: u64, flags: &mut FlagLines) {
        flags.set(FlagSource::TorqueOn, on, at);
        if self.brake_by_contact {
            // Not the gate's to say.
        } else if on && self.brake_after > 0 {
            self.brake_asked.want(true, at, self.brake_after);
        } else {
            self.brake_asked.force(on);
            self.ask_for_brake(on, at, flags);
        }
        if self.limit_open {
            flags.set(FlagSource::HoldingSpeed, on, at);
        }
        self.limiter.rest();
        self.torque = 0.0;
        self.asked = 0.0;
        self.mean_torque = 0.0;
    }

    /// Mean torque over a step, clockwise, for a command at the input.
    #[inline]
    pub(crate) fn drive(
        &mut self,
        c: &Coefficients,
        command: f64,
        ends_closed: [bool; 2],
        random: &mut Random,
    ) -> f64 {
        let mut input = command + self.input_offset;
        if self.input_noise > 0.0 {
            input += self.input_noise * random.normal();
        }
        if self.command_ignored {
            input = 0.0;
        }
        let input = within(input, -self.input_range, self.input_range);
        let input = input - within(input, -self.dead_band, self.dead_band);
        let command = c.input.step(&mut self.filtered_command, input);
        if !self.gate.state() {
            return 0.0;
        }
        self.asked = self.limiter.torque(command, self.measured_speed, ends_closed, c.step);
        self.mean_torque = c.torque.step(&mut self.torque, self.asked);
        self.mean_torque * self.forward * self.torque_factor
    }

    /// Takes in the motion of the step that ended `now` (its mean speed, its last speed, the motor's work): measured speed, flag, bus, faults, read-outs.
    #[inline]
    #[expect(clippy::too_many_arguments, reason = "one call, in the hot loop")]
    pub(crate) fn observe(
        &mut self,
        c: &Coefficients,
        mean_speed: f64,
        speed: f64,
        work: f64,
        now: u64,
        random: &mut Random,
        flags: &mut FlagLines,
    ) {
        let mean_speed = mean_speed * self.forward;
        c.speed.step(&mut self.measured_speed, mean_speed);
        self.watch_cap(c.step, now, flags);
        if self.control_power && !self.fault {
            self.bus = greater(self.bus - work - self.bus_bleed * c.step, 0.0);
            // The encoder's own speed, not the filtered one: this protection is not to lag.
            if speed.abs() > self.overspeed || self.bus > self.bus_limit {
                self.fault = true;
                self.touched = true;
                flags.set(FlagSource::Fault, true, now);
            }
        }
        let shown = match self.torque_shows {
            TorqueShown::Reference => self.asked,
            TorqueShown::Actual => self.mean_torque,
        };
        c.torque_out.step(&mut self.torque_out.filtered, shown);
        c.speed_out.step(&mut self.speed_out.filtered, mean_speed);
        self.torque_out.draw(random);
        self.speed_out.draw(random);
    }

    /// Follows the share of the cap that the speed has reached; dates crossings inside the step by interpolation.
    #[inline]
    fn watch_cap(&mut self, step: f64, now: u64, flags: &mut FlagLines) {
        if self.limit_open {
            return;
        }
        let before = self.cap_share;
        let speed = self.measured_speed;
        let share = speed.abs() * self.cap_inverse[usize::from(speed < 0.0)];
        self.cap_share = share;
        let wanted = self.cap_flag.wanted();
        let threshold = if wanted { self.flag_off } else { self.flag_on };
        let reached = share >= threshold && self.gate.state();
        if reached != wanted {
            let over = (share - threshold) / (share - before);
            let back = if over.is_finite() { (over.clamp(0.0, 1.0) * step * 1e9) as u64 } else { 0 };
            let delay = if reached { self.flag_on_delay } else { self.flag_off_delay };
            self.cap_flag.want(reached, now.saturating_sub(back), delay);
        }
        if let Some((active, at)) = self.cap_flag.poll(now) {
            flags.set(FlagSource::HoldingSpeed, active, at);
        }
    }

    pub(crate) fn torque_readout(&self) -> f64 {
        if self.outputs_live() { self.torque_out.volts() } else { 0.0 }
    }

    pub(crate) fn speed_readout(&self) -> f64 {
        if self.outputs_live() { self.speed_out.volts() } else { 0.0 }
    }
}
