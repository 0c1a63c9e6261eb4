// What is round the chip: analog board, contacts, stop chain, flags, encoder pairs, and the axis behind them.
//
// It lives through the chip's resets. Its time is the chip's; the axis runs on a clock that differs by some ppm.

import { GPIOPinState } from 'rp2040js';
import { Adc, Dac, ShiftRegisters } from './converters.js';

const FLAG_0 = 5;
const LINE_FAULT = 13;
const TRIGGER = 14;
const LATCH = 15;
const DAC_SELECT = 17;
const ADC_SELECT = 20;
const ENABLE = 21;
const KEEP_ALIVE = 22;
const STOP = 26;
const HOLD = 27;
const LIGHT = 25;
const RELAY = 28;

const OUT_CONTACTS = 0b0111;
const OUT_CHANGE_OVER = 0b1000;
const IN_GUARD = 1 << 0;
// The receivers' alarms of A, B and the index.
const IN_ALARMS = 3;
const ALL_PAIRS = 0b111;
const IN_PRESENT = 1 << 7;

// Step of the axis; edges inside it come at their exact times.
const STEP = 50_000;
// Relays follow after this, and the keep-alive pump drops the enable relay when its pin has not changed for so long (the
// analog board's design values; invented for this model).
const RELAY_NANOS = 3_000_000;
const PUMP_NANOS = 10_000_000;
// Delay of a flag's coupler when it begins to conduct and when it stops.
const COUPLER_ON = 15_000;
const COUPLER_OFF = 50_000;
const SPI_MODE_1 = 1 << 7;
const SPI_MODE_BITS = 3 << 6;

export class Bench {
  constructor({ plant, dac, adc, ppm = 0 }) {
    this.plant = plant;
    this.scale = 1 + ppm * 1e-6;
    this.dac = new Dac(dac ?? { gain: 1, offset: 0 });
    this.adc = new Adc(adc ?? [], (channel) => this.#voltsAt(channel));
    this.registers = new ShiftRegisters(
      () => (this.guard ? IN_GUARD : 0) | (this.#openPairs() << IN_ALARMS) | IN_PRESENT,
    );
    this.stop = true;
    this.hold = true;
    this.guard = true;
    this.openPairs = 0;
    this.broken = false;
    this.forced = 0;
    this.enableRequest = false;
    this.lastKeepAlive = -Infinity;
    this.relay = { closed: false, wanted: false, due: Infinity };
    this.changeOver = { closed: false, wanted: false, due: Infinity };
    this.trace = [];
    this.tracing = new Set(['command', 'enable', 'relay', 'change-over', 'reset', 'frame']);
    this.faults = [];
    this.events = [];
    this.stepAt = 0;
    this.pattern = null;
    this.onKeepAlive = () => {};
    this.flagLevels = plant.flags();
  }

  note(what, value) {
    if (this.tracing.has(what)) this.trace.push([this.now(), what, value]);
  }

  now() {
    return this.clock === undefined ? 0 : this.clock.nanos;
  }

  // Connects a chip: its outputs are watched, its inputs driven as they stand.
  attach(chip) {
    this.chip = chip;
    this.clock = chip.clock;
    this.alarm = chip.clock.createAlarm(() => this.#due());
    const { gpio, spi } = chip.chip;
    const watch = (pin, act) => {
      gpio[pin].addListener((state) => act(state === GPIOPinState.High, state === GPIOPinState.Low));
    };
    watch(ENABLE, (high) => {
      this.enableRequest = high;
      this.note('enable', high ? 1 : 0);
      this.#relays();
    });
    watch(KEEP_ALIVE, () => {
      this.onKeepAlive(this.now() - this.lastKeepAlive);
      this.lastKeepAlive = this.now();
      this.note('keep-alive', 1);
      this.#relays();
    });
    watch(LIGHT, (high) => this.note('light', high ? 1 : 0));
    watch(TRIGGER, (high) => this.note('trigger', high ? 1 : 0));
    watch(LATCH, (high) => {
      if (this.registers.set(high)) this.note('contacts', this.registers.out);
      this.#relays();
    });
    this.selected = null;
    const selects = (pin, name, part) =>
      watch(pin, (_, low) => {
        if (low) {
          if (this.selected !== null) this.faults.push('two converters selected at once');
          this.selected = part;
          part.select();
        } else if (this.selected === part) {
          this.selected = null;
          const before = this.dac.volts();
          const wrong = part.deselect();
          if (wrong !== null) this.faults.push(wrong);
          if (name === 'dac' && (part.frame[0] & 0xf) === 3) this.note('frame', this.dac.code);
          // The channel that the input converter was told to convert next.
          if (name === 'adc' && part.frame.length === 4) this.note('convert', part.selected);
          if (this.dac.volts() !== before) this.note('command', this.dac.code);
        }
      });
    selects(DAC_SELECT, 'dac', this.dac);
    selects(ADC_SELECT, 'adc', this.adc);
    this.#bus(spi[0]);
    this.enableRequest = false;
    this.#inputs();
    // What the axis will do up to the next step is lost with the old chip: the new one finds the lines as they then are.
    if (this.pattern === null) chip.pio.add(this.now(), this.plant.lines());
    this.#schedule();
    this.#relays();
  }

  #bus(spi) {
    let reply = 0;
    const done = this.clock.createAlarm(() => spi.completeTransmit(reply));
    spi.onTransmit = (byte) => {
      const mode = spi.control0 & SPI_MODE_BITS;
      if (this.selected !== null) {
        if (mode !== SPI_MODE_1) this.faults.push(`a converter spoken to in another mode than 1`);
        reply = this.selected.exchange(byte);
      } else {
        reply = this.registers.exchange(byte);
      }
      done.schedule((spi.dataBits / spi.clockFrequency) * 1e9);
    };
  }

  // The encoder pairs that read open, a bit each for A, B, index: all where nothing drives them, or those that are broken.
  #openPairs() {
    return this.plant.pairsDriven() ? this.openPairs : ALL_PAIRS;
  }

  #inputs() {
    const { chip } = this;
    for (let flag = 0; flag < 8; flag++) chip.drive(FLAG_0 + flag, ((this.flagLevels >> flag) & 1) === 0);
    chip.drive(LINE_FAULT, this.#openPairs() !== 0);
    chip.drive(STOP, this.stop);
    chip.drive(HOLD, this.stop && this.hold);
    chip.drive(RELAY, this.relay.closed);
  }

  // The person's and the hardware's part of the stop chain.
  setChain({ stop = this.stop, hold = this.hold, guard = this.guard, openPairs = this.openPairs }) {
    Object.assign(this, { stop, hold, guard, openPairs });
    this.#inputs();
    this.#relays();
  }

  // A flag input that a fault holds, whatever the axis says.
  forceFlag(input, conducting) {
    this.forced &= ~(1 << input);
    this.setFlag(input, conducting);
    this.forced |= 1 << input;
  }

  releaseFlags() {
    this.forced = 0;
    const levels = this.plant.flags();
    for (let input = 0; input < 8; input++) this.setFlag(input, ((levels >> input) & 1) !== 0);
  }

  // A relay that drops and does not close again.
  breakRelay(broken) {
    this.broken = broken;
    this.#relays();
  }

  setFlag(input, conducting) {
    const bit = 1 << input;
    if (this.forced & bit) return;
    this.flagLevels = conducting ? this.flagLevels | bit : this.flagLevels & ~bit;
    this.chip.drive(FLAG_0 + input, !conducting);
  }

  #voltsAt(channel) {
    switch (channel) {
      case 0:
        return this.changeOver.closed ? this.dac.volts() : 0;
      case 1:
        return this.dac.volts();
      case 2:
        return this.plant.torqueReadout();
      case 3:
        return this.plant.speedReadout();
      default:
        return 0;
    }
  }

  #relays() {
    const now = this.now();
    const pumped = now - this.lastKeepAlive < PUMP_NANOS;
    const want = (relay, wanted, name) => {
      if (wanted !== relay.wanted) {
        relay.wanted = wanted;
        relay.due = wanted === relay.closed ? Infinity : now + RELAY_NANOS;
      }
      if (now >= relay.due) {
        relay.closed = wanted;
        relay.due = Infinity;
        this.note(name, wanted ? 1 : 0);
      }
    };
    want(this.relay, !this.broken && this.enableRequest && pumped && this.stop && this.hold && this.guard, 'relay');
    want(this.changeOver, (this.registers.out & OUT_CHANGE_OVER) !== 0, 'change-over');
    this.chip.drive(RELAY, this.relay.closed);
  }

  // Does something at an exact moment.
  at(time, act) {
    let i = this.events.length;
    while (i > 0 && this.events[i - 1].time < time) i--;
    this.events.splice(i, 0, { time, act });
    this.#schedule();
  }

  #schedule() {
    if (this.alarm === undefined) return;
    const first = this.events.length ? this.events[this.events.length - 1].time : Infinity;
    this.alarm.schedule(Math.max(0, Math.min(first, this.stepAt) - this.clock.nanos));
  }

  #due() {
    const now = this.clock.nanos;
    while (this.events.length && this.events[this.events.length - 1].time <= now) this.events.pop().act();
    if (this.stepAt <= now) {
      this.#relays();
      this.#step(now, now + STEP);
      this.stepAt = now + STEP;
    }
    this.#schedule();
  }

  // The axis from now to the next step's begin: what the lines will do is known before they do it.
  #step(from, to) {
    const { plant, chip, scale } = this;
    if (this.pattern !== null) {
      this.pattern.edges(from, to, (time, levels) => chip.pio.add(time, levels));
    } else {
      const [start, end] = [Math.round(from * scale), Math.round(to * scale)];
      const terminal = this.changeOver.closed ? this.dac.volts() : 0;
      plant.advance(end, terminal, this.relay.closed, this.registers.out & OUT_CONTACTS);
      plant.edges(start, end, (time, levels) => chip.pio.add(time / scale, levels));
      plant.flagEdges((time, input, conducting) => {
        const at = time / scale + (conducting ? COUPLER_ON : COUPLER_OFF);
        this.at(at, () => this.setFlag(input, conducting));
      });
      chip.drive(LINE_FAULT, this.#openPairs() !== 0);
    }
    chip.pio.sync(from);
  }
}
