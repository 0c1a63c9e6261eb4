// One RP2040 from power-up or reset to the next reset: rp2040js 1.4.1 with its defects put right, and the image in it.

import { RP2040, LogLevel, ConsoleLogger } from 'rp2040js';
import { fixCore, fixDma, fixResets, fixTimer, fixWatchdog } from './core-fixes.js';
import { CYCLE, PioScheduler } from './pio.js';
import { Rom } from './rom.js';
import { UsbHost } from './usb-host.js';

const FLASH = 0x10000000;
const VECTORS = 0x10000100;
const PINS = 30;
const FIRST_ENCODER_PIN = 2;
const SSI_DR0 = 0x60;
const READ_UNIQUE_ID = 0x4b;
const UNIQUE_ID_AFTER = 5;
const GPIO_IN = 0x004;

let Clock = null;

export class Chip {
  // `flash` and `sram` are what is kept; `start` says since when, why, and with what in the scratch registers.
  constructor({ flash, sram, nanos, reason, scratch, uniqueId, random, hooks }) {
    if (Clock === null) Clock = new RP2040().clock.constructor;
    const clock = new Clock();
    clock.nanosCounter = nanos;
    const chip = new RP2040(clock);
    this.chip = chip;
    this.clock = clock;
    this.hooks = hooks;
    this.resetReason = null;
    // Cycles spent at each address, while somebody wants to know.
    this.profile = null;
    chip.logger = new ConsoleLogger(LogLevel.Error, true);
    chip.flash.set(flash);
    if (sram) chip.sram.set(sram);
    this.#inputs();
    const { peripherals } = chip;
    const watchdog = peripherals[0x40058];
    watchdog.reason = reason;
    watchdog.scratchData.set(scratch);
    this.watchdog = watchdog;
    fixCore(chip.core);
    fixWatchdog(watchdog, (why) => {
      this.resetReason = why;
    });
    const timer = fixTimer(peripherals[0x40054], clock);
    fixResets(peripherals[0x4000c], timer);
    this.timerNanos = timer.nanos;
    fixDma(chip.dma);
    this.#smallBlocks(uniqueId, random);
    this.pio = new PioScheduler(chip, (levels) => this.#encoder(levels));
    this.#syncBeforeLooks();
    this.usb = new UsbHost(chip);
    this.rom = new Rom(chip, flash, {
      eraseNanos: hooks.eraseNanos,
      onFlash: (what, at) => hooks.onFlash(what, at),
      isOff: () => this.resetReason !== null,
      pass: (span) => this.pass(span),
    });
    chip.onBreak = (number) => {
      if (!this.rom.serve(number)) throw new Error(`the image met breakpoint ${number} at ${chip.core.PC.toString(16)}`);
    };
    chip.core.VTOR = VECTORS;
    chip.core.SP = chip.readUint32(VECTORS);
    chip.core.PC = chip.readUint32(VECTORS + 4) & ~1;
    this.cyclesSeen = chip.core.cycles;
    this.instructions = 0;
    this.asleep = 0;
  }

  // All inputs in one word; the stock getter asks thirty pins.
  #inputs() {
    const { chip } = this;
    chip.inputs = 0;
    chip.inputEnables = 0;
    Object.defineProperty(chip, 'gpioValues', {
      get: () => (chip.inputs & chip.inputEnables) >>> 0,
    });
    const pads = chip.peripherals[0x4001c];
    const write = pads.writeUint32.bind(pads);
    pads.writeUint32 = (offset, value) => {
      write(offset, value);
      let mask = 0;
      for (let pin = 0; pin < PINS; pin++) if (chip.gpio[pin].inputEnable) mask |= 1 << pin;
      chip.inputEnables = mask;
    };
  }

  // Blocks that the package lacks: the flash's select line and its unique number, the ring oscillator's random bit.
  #smallBlocks(uniqueId, random) {
    const { chip } = this;
    const registers = (name, read) => {
      const words = new Map();
      const block = Object.create(Object.getPrototypeOf(chip.peripherals[0x40060]));
      Object.assign(block, { rp2040: chip, name, rawWriteValue: 0 });
      block.readUint32 = (offset) => read(offset) ?? words.get(offset) ?? 0;
      block.writeUint32 = (offset, value) => words.set(offset, value);
      return block;
    };
    let answer = null;
    const qspi = registers('IO_QSPI_BASE', () => undefined);
    const select = qspi.writeUint32;
    qspi.writeUint32 = (offset, value) => {
      if (offset === 0x0c) answer = ((value >> 8) & 3) === 2 ? [] : null;
      return select(offset, value);
    };
    chip.peripherals[0x40018] = qspi;
    const ssi = chip.peripherals[0x18000];
    const [read, write] = [ssi.readUint32.bind(ssi), ssi.writeUint32.bind(ssi)];
    ssi.writeUint32 = (offset, value) => {
      if (offset === SSI_DR0 && answer !== null) answer.push(value & 0xff);
      else write(offset, value);
    };
    ssi.readUint32 = (offset) => {
      if (offset !== SSI_DR0 || answer === null) return read(offset);
      const place = answer.length - 1 - UNIQUE_ID_AFTER;
      return answer[0] === READ_UNIQUE_ID && place >= 0 ? uniqueId[place % 8] : 0;
    };
    chip.peripherals[0x40060] = registers('ROSC_BASE', (offset) => {
      if (offset === 0x1c) return random() & 1;
      return offset === 0x18 ? 0x80001000 : undefined;
    });
  }

  // Whoever looks at pins, or at what DMA wrote, sees what PIO did up to now.
  #syncBeforeLooks() {
    const { chip, pio, clock } = this;
    const sio = chip.sio;
    const read = sio.readUint32.bind(sio);
    sio.readUint32 = (offset) => {
      if (offset === GPIO_IN) pio.sync(clock.nanos);
      return read(offset);
    };
    for (const method of ['readUint32', 'writeUint32']) {
      const stock = chip.dma[method].bind(chip.dma);
      chip.dma[method] = (...rest) => {
        pio.sync(clock.nanos);
        return stock(...rest);
      };
    }
  }

  #encoder(levels) {
    for (let line = 0; line < 3; line++) {
      const pin = FIRST_ENCODER_PIN + line;
      const high = ((levels >> line) & 1) === 1;
      const gpio = this.chip.gpio[pin];
      if (gpio.rawInputValue === high) continue;
      this.chip.inputs ^= 1 << pin;
      if (gpio.irqEnableMask) gpio.setInputValue(high);
      else gpio.rawInputValue = high;
    }
  }

  // Drives an input pin, now.
  drive(pin, high) {
    const { chip } = this;
    const bit = 1 << pin;
    if (((chip.inputs & bit) !== 0) === high) return;
    this.pio.sync(this.clock.nanos);
    chip.inputs ^= bit;
    chip.gpio[pin].setInputValue(high);
  }

  // The chip's own timer, in microseconds.
  get micros() {
    return Math.floor(this.timerNanos() / 1000);
  }

  // Lets time pass without the core executing anything.
  pass(nanos) {
    const end = this.clock.nanos + nanos;
    while (this.clock.nanos < end && this.resetReason === null) {
      this.clock.tick(Math.min(end - this.clock.nanos, 50_000));
    }
    this.pio.sync(this.clock.nanos);
  }

  // Makes the main loop go on elsewhere, as soon as no handler runs. `prepare` may set registers.
  divert(address, prepare = () => {}) {
    const { core } = this.chip;
    while (core.IPSR !== 0 || core.PM || core.waiting) this.run(this.clock.nanos + 1, () => false);
    prepare(core);
    core.PC = address & ~1;
  }

  // Runs until a moment, a reset, or until `done` says so after an event.
  run(until, done) {
    const { chip, clock } = this;
    const { core } = chip;
    while (clock.nanosCounter < until && this.resetReason === null) {
      if (core.waiting) {
        if (core.pendingInterrupts & core.enabledInterrupts) {
          core.waiting = false;
          continue;
        }
        const slept = clock.nanosCounter;
        const alarm = clock.nextAlarm;
        const next = alarm === null ? until : Math.min(until, alarm.nanos);
        clock.tick(Math.max(0, next - clock.nanosCounter));
        // The core's clock runs on whole cycles.
        const late = clock.nanosCounter % CYCLE;
        if (late !== 0 && !core.waiting) clock.tick(CYCLE - late);
        this.asleep += clock.nanosCounter - slept;
        if (done()) return;
      } else {
        const { profile } = this;
        const at = profile === null ? 0 : core.PC & ~1;
        core.executeInstruction();
        this.instructions++;
        if (profile !== null) profile.set(at, (profile.get(at) ?? 0) + core.cycles - this.cyclesSeen);
        clock.tick((core.cycles - this.cyclesSeen) * CYCLE);
        this.cyclesSeen = core.cycles;
      }
    }
  }
}

export function loadFlash(elf, flash) {
  flash.fill(0xff);
  for (const { address, data } of elf.segments) {
    if (address < FLASH || address + data.length > FLASH + flash.length) {
      throw new Error(`the image has a segment at ${address.toString(16)}, outside flash`);
    }
    flash.set(data, address - FLASH);
  }
}
