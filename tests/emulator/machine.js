// Board and bench together, through resets and power cuts.

import { readFileSync } from 'node:fs';
import { Bench } from './bench.js';
import { Chip, loadFlash } from './chip.js';
import { Elf } from './elf.js';
import { NoPlant, Plant } from './plant.js';
import { Recorder } from './recorder.js';
import { Pattern } from './pattern.js';

const FLASH_BYTES = 2 * 1024 * 1024;
const UNIQUE_ID = [0xe6, 0x61, 0x41, 0x04, 0x03, 0x2b, 0x5a, 0x2f];
// RAM after power-up: anything (a pattern, so that runs are the same).
const RAM_NOISE = 0xa5;
// STACK_PAINT_VALUE of cortex-m-rt.
const STACK_PAINT = 0xcccccccc;
// Armv6-M Architecture Reference Manual, A6.7.10: B to its own address.
const BRANCH_TO_ITSELF = 0xe7fe;

export class Machine {
  constructor(options) {
    this.elf = new Elf(readFileSync(options.image));
    this.flash = new Uint8Array(FLASH_BYTES);
    loadFlash(this.elf, this.flash);
    const plant = options.plant
      ? new Plant(options.plant, Buffer.from(options.setup, 'hex'), options.seed ?? 1)
      : new NoPlant();
    this.bench = new Bench({ plant, dac: options.dac, adc: options.adc, ppm: options.ppm });
    this.uniqueId = options.uniqueId ?? UNIQUE_ID;
    this.eraseNanos = options.eraseNanos;
    this.cut = null;
    this.recording = options.record === true;
    this.flashOperations = 0;
    this.random = (options.seed ?? 1) >>> 0 || 1;
    this.resets = 0;
    this.plugged = true;
    this.open = true;
    this.log = [];
    this.powerUp();
  }

  get nanos() {
    return this.chip === undefined ? 0 : this.chip.clock.nanos;
  }

  powerUp() {
    const sram = new Uint8Array(264 * 1024).fill(RAM_NOISE);
    this.bench.dac.powerUp();
    this.bench.adc.powerUp();
    this.#start({ sram, reason: 0, scratch: new Uint32Array(8) });
  }

  #start({ sram, reason, scratch }) {
    const nanos = this.nanos;
    this.chip = new Chip({
      flash: this.flash,
      sram,
      nanos,
      reason,
      scratch,
      uniqueId: this.uniqueId,
      random: () => {
        this.random = (Math.imul(this.random, 1664525) + 1013904223) >>> 0;
        return this.random >>> 16;
      },
      hooks: { eraseNanos: this.eraseNanos, onFlash: (what, at) => this.#onFlash(what, at) },
    });
    this.chip.usb.lineState = this.open ? 3 : 0;
    if (!this.plugged) this.chip.usb.unplug();
    this.bench.attach(this.chip);
    this.recorder = this.recording ? new Recorder(this.elf, this.chip, this.bench) : null;
  }

  // How much of an operation on flash is done: 1, or less at a power cut, which also ends it if all of it is done.
  #onFlash(what, at) {
    const number = this.flashOperations++;
    this.bench.note('flash', `${what} ${at.toString(16)}`);
    this.recorder?.stored();
    if (this.cut === null || number !== this.cut.operation) return 1;
    const { share } = this.cut;
    this.cut = null;
    this.chip.resetReason = 'power';
    return share;
  }

  #reset() {
    const reason = this.chip.resetReason;
    this.drain();
    this.resets++;
    this.bench.note('reset', reason);
    if (reason === 'power') {
      this.powerUp();
      return;
    }
    const { chip, watchdog } = this.chip;
    this.#start({ sram: chip.sram, reason, scratch: watchdog.scratchData });
  }

  // Runs for a while, or until the device has sent something.
  run(span, untilBytes) {
    const end = this.nanos + span;
    while (this.nanos < end) {
      const { usb } = this.chip;
      this.chip.run(end, () => untilBytes && usb.fromDevice.length > 0);
      if (this.chip.resetReason !== null) this.#reset();
      else if (untilBytes && usb.fromDevice.length > 0) return;
    }
  }

  send(bytes) {
    this.recorder?.toDevice.push(...bytes);
    this.chip.usb.send(bytes);
  }

  take() {
    const bytes = this.chip.usb.take();
    this.recorder?.fromDevice.push(...bytes);
    return bytes;
  }

  // The stack from its end up to the lowest word that is no longer as the start-up code painted it.
  #stack() {
    const [end, start] = ['_stack_end', '_stack_start'].map((name) => this.elf.symbols.get(name).address);
    let at = end;
    while (at < start && this.chip.chip.readUint32(at) === STACK_PAINT) at += 4;
    return { used: start - at, bytes: start - end };
  }

  // Lets the main loop hang while interrupts go on: a branch to itself, deep in the unused stack.
  #hang() {
    const at = this.elf.symbols.get('_stack_end').address + 64;
    this.chip.chip.writeUint16(at, BRANCH_TO_ITSELF);
    this.chip.divert(at);
  }

  // Calls a routine of the image that needs nothing but its arguments, and gives what it returns. All else waits.
  #call(name, values) {
    const routine = this.elf.symbols.get(name);
    if (routine === undefined) throw new Error(`the image has no symbol ${name}`);
    const { core } = this.chip.chip;
    const back = this.elf.symbols.get('_stack_end').address + 64;
    const { N, Z, C, V, SP } = core;
    const kept = [...core.registers];
    values.forEach((value, i) => (core.registers[i] = value));
    core.LR = back | 1;
    core.PC = routine.address & ~1;
    for (let steps = 0; (core.PC & ~1) !== back; steps++) {
      if (steps > 100_000) throw new Error(`${name} does not return`);
      core.executeInstruction();
    }
    const results = [...core.registers].slice(0, 4).map((value) => value >>> 0);
    // What a routine must keep (Procedure Call Standard for the Arm Architecture, 6.1.1).
    const restored = kept.slice(4, 12).every((value, i) => value === core.registers[4 + i]);
    const stack = core.SP === SP;
    kept.forEach((value, i) => (core.registers[i] = value));
    Object.assign(core, { N, Z, C, V });
    return { result: results[0], results, stack, restored };
  }

  // Lets the main loop come upon a panic, as if it had called the panic handler.
  #panic() {
    const [, handler] = [...this.elf.symbols].find(([name]) => name.endsWith('rust_begin_unwind'));
    this.chip.divert(handler.address, (core) => {
      core.LR = core.PC | 1;
    });
  }

  // What the image logged: the up-buffer 0 of its control block (layout: SEGGER RTT, as defmt-rtt writes it).
  drain() {
    const symbol = this.elf.symbols.get('_SEGGER_RTT');
    if (symbol === undefined) return;
    const { chip } = this.chip;
    const word = (at) => chip.readUint32(symbol.address + at);
    const [buffer, size, write] = [word(28), word(32), word(36)];
    let read = word(40);
    if (buffer < 0x20000000 || size === 0 || size > 65536 || write >= size || read >= size) return;
    while (read !== write) {
      this.log.push(chip.readUint8(buffer + read));
      read = (read + 1) % size;
    }
    chip.writeUint32(symbol.address + 40, read);
  }

  // Keeps the profile of the longest turn of the main loop from now on: milliseconds, and cycles by function.
  #profile() {
    this.slowest = { span: 0, cycles: {} };
    this.chip.profile = new Map();
    this.bench.onKeepAlive = (span) => {
      const { profile } = this.chip;
      if (profile === null) return;
      if (Number.isFinite(span) && span > this.slowest.span) {
        const cycles = {};
        for (const [address, count] of profile) {
          const name = this.elf.functionAt(address);
          cycles[name] = (cycles[name] ?? 0) + count;
        }
        this.slowest = { at: this.nanos, span, cycles };
      }
      profile.clear();
    };
  }

  // Orders of a test, by name.
  order({ order, ...rest }) {
    const { bench, chip } = this;
    switch (order) {
      case 'chain':
        bench.setChain(rest);
        return {};
      case 'chain-at':
        bench.at(rest.at, () => bench.setChain(rest.chain));
        return {};
      case 'parts':
        if (rest.dac !== undefined) bench.dac.present = rest.dac;
        if (rest.adc !== undefined) bench.adc.present = rest.adc;
        if (rest.relay !== undefined) bench.breakRelay(!rest.relay);
        if (rest.axisFlags) bench.releaseFlags();
        return {};
      case 'trace': {
        if (rest.also) for (const what of rest.also) bench.tracing.add(what);
        const trace = bench.trace;
        bench.trace = [];
        return { trace };
      }
      case 'state': {
        this.drain();
        return {
          nanos: this.nanos,
          code: bench.dac.code,
          volts: bench.dac.volts(),
          terminal: bench.changeOver.closed ? bench.dac.volts() : 0,
          enable: bench.enableRequest,
          relay: bench.relay.closed,
          contacts: bench.registers.out,
          resets: this.resets,
          flash: this.flashOperations,
          counter: bench.plant.counter(),
          rpm: bench.plant.rpm(),
          faults: bench.faults,
          instructions: chip.instructions,
          asleep: chip.asleep,
          micros: chip.micros,
          step: bench.stepAt,
          counts: bench.pattern?.position ?? bench.plant.counter(),
          connected: chip.usb.connected,
        };
      }
      case 'mark':
        bench.plant.mark();
        return {};
      case 'turned':
        return { turned: bench.plant.turned() };
      case 'turn':
        return { done: bench.plant.turn(rest.turns, rest.seconds) };
      case 'turning':
        return { turning: bench.plant.isTurning() };
      case 'power':
        if (rest.control !== undefined) bench.plant.controlPower(rest.control);
        if (rest.motor !== undefined) bench.plant.motorPower(rest.motor);
        return {};
      case 'look-away':
        bench.plant.lookAway();
        return {};
      case 'display':
        return { percent: bench.plant.display() };
      case 'usb':
        if (rest.open !== undefined) {
          this.open = rest.open;
          chip.usb.open(rest.open);
        }
        if (rest.read !== undefined) chip.usb.read(rest.read);
        if (rest.plugged !== undefined && rest.plugged !== this.plugged) {
          this.plugged = rest.plugged;
          if (rest.plugged) chip.usb.plug();
          else chip.usb.unplug();
        }
        return {};
      case 'power-cut':
        chip.resetReason = 'power';
        this.#reset();
        return {};
      case 'power-cut-at':
        this.cut = { operation: this.flashOperations + rest.operation, share: rest.share ?? 0.5 };
        return {};
      case 'stall':
        chip.pass(rest.nanos);
        if (chip.resetReason !== null) this.#reset();
        return {};
      case 'hang':
        this.#hang();
        return {};
      case 'panic':
        this.#panic();
        return {};
      case 'stack':
        return this.#stack();
      case 'recorded':
        return this.recorder.take();
      case 'usb-string':
        return { text: chip.usb.string(rest.index, () => chip.run(chip.clock.nanos + 5_000_000, () => false)) };
      case 'usb-pace':
        chip.usb.nanosPerByte = rest.nanosPerByte;
        return {};
      case 'flag':
        bench.forceFlag(rest.input, rest.conducting);
        return {};
      case 'call':
        return this.#call(rest.name, rest.arguments);
      case 'write':
        rest.bytes.forEach((byte, i) => chip.chip.writeUint8(rest.address + i, byte));
        return {};
      case 'stop-counter':
        chip.chip.pio[0].machines[0].enabled = false;
        return {};
      case 'hard-fault':
        chip.chip.core.exceptionEntry(3);
        chip.chip.core.waiting = false;
        return {};
      case 'pattern':
        bench.pattern = new Pattern({ ...rest, start: bench.stepAt + (rest.delay ?? 1_000) });
        return { start: bench.pattern.time };
      case 'pattern-state': {
        const { position, left, shortest, indexCounts } = bench.pattern;
        return { position, left, shortest, indexCounts };
      }
      case 'symbol': {
        const symbol = this.elf.symbols.get(rest.name);
        if (symbol === undefined) throw new Error(`the image has no symbol ${rest.name}`);
        return symbol;
      }
      case 'read': {
        const bytes = [];
        for (let i = 0; i < rest.length; i++) bytes.push(chip.chip.readUint8(rest.address + i));
        return { bytes };
      }
      case 'profile':
        this.#profile();
        return {};
      case 'profiled':
        return { slowest: this.slowest };
      case 'log': {
        this.drain();
        const log = this.log;
        this.log = [];
        return { log };
      }
      default:
        throw new Error(`no such order: ${order}`);
    }
  }
}
