// PIO on the emulated clock: state machines are brought up to date whenever somebody could see a difference.
//
// rp2040js runs PIO free of the clock, and demands autopush for `push iffull`; so the instructions are executed here, on
// the registers of its state machines (RP2040 datasheet, 3.4). What this project's programs do not use is refused, not
// guessed. The two-cycle input synchroniser is not modelled: it shifts all inputs alike.

const AUTOPUSH = 1 << 16;
const AUTOPULL = 1 << 17;
const IN_RIGHT = 1 << 18;
const OUT_RIGHT = 1 << 19;
// Nanoseconds of a cycle at 125 MHz.
export const CYCLE = 8;
// Register offsets, from 3.7 of the datasheet.
const CTRL = 0x000;
const IRQ0_INTE = 0x12c;
const IRQ1_INTE = 0x138;

function refuse(what) {
  throw new Error(`a PIO program uses ${what}, which this harness does not model`);
}

export class PioScheduler {
  constructor(chip, setEncoder) {
    this.chip = chip;
    this.clock = chip.clock;
    this.setEncoder = setEncoder;
    this.busy = false;
    this.times = [];
    this.levels = [];
    this.next = 0;
    this.machines = [];
    for (const pio of chip.pio) this.#take(pio);
  }

  #take(pio) {
    pio.run = () => {};
    const [read, write] = [pio.readUint32.bind(pio), pio.writeUint32.bind(pio)];
    pio.readUint32 = (offset) => {
      this.sync(this.clock.nanos);
      return read(offset);
    };
    pio.writeUint32 = (offset, value) => {
      this.sync(this.clock.nanos);
      if ((offset === IRQ0_INTE || offset === IRQ1_INTE) && value) refuse('interrupts to the processor');
      const before = pio.machines.map((machine) => machine.enabled);
      write(offset, value);
      if (offset !== CTRL) return;
      pio.machines.forEach((machine, i) => {
        if (machine.enabled && !before[i]) {
          machine.due = Math.ceil(this.clock.nanos / CYCLE) + 1;
          machine.stalled = null;
          machine.seen = null;
        }
      });
    };
    for (const machine of pio.machines) {
      machine.due = 0;
      machine.stalled = null;
      machine.pushes = 0;
      machine.clkDivRestart = () => {};
      this.machines.push(machine);
    }
  }

  // Adds changes of the encoder lines, in order of time: nanoseconds, and the levels of A, B, Z as bits 0 to 2.
  add(time, levels) {
    if (this.next > 4096) {
      this.times.splice(0, this.next);
      this.levels.splice(0, this.next);
      this.next = 0;
    }
    this.times.push(time);
    this.levels.push(levels);
  }

  // Brings everything up to a moment.
  sync(nanos) {
    if (this.busy) return;
    this.busy = true;
    while (this.next < this.times.length && this.times[this.next] <= nanos) {
      const time = this.times[this.next];
      this.#advance(time / CYCLE);
      this.setEncoder(this.levels[this.next]);
      this.next++;
    }
    this.#advance(nanos / CYCLE);
    this.busy = false;
  }

  #advance(until) {
    const pins = this.chip.inputs >>> 0;
    for (const machine of this.machines) {
      if (machine.enabled && machine.due < until) run(machine, until, pins, this.clock);
    }
  }
}

// A word into the receive FIFO, at the state machine's time: DMA sees that time too.
function push(sm, word, clock) {
  if (sm.rxFIFO.full) return false;
  const now = clock.nanosCounter;
  clock.nanosCounter = Math.min(now, sm.due * CYCLE);
  sm.rxFIFO.push(word);
  sm.pushes++;
  sm.updateDMARx();
  clock.nanosCounter = now;
  return true;
}

function source(sm, number, pins) {
  switch (number) {
    case 0:
      return pins;
    case 1:
      return sm.x;
    case 2:
      return sm.y;
    case 3:
      return 0;
    case 6:
      return sm.inputShiftReg;
    case 7:
      return sm.outputShiftReg;
    default:
      return refuse(`source ${number}`);
  }
}

function reverse(value) {
  let result = 0;
  for (let bit = 0; bit < 32; bit++) if (value & (1 << bit)) result |= 1 << (31 - bit);
  return result >>> 0;
}

// Runs one state machine while its next instruction is due before `until` (cycles), with constant inputs.
function run(sm, until, allPins, clock) {
  const { pio, shiftCtrl } = sm;
  const code = pio.instructions;
  const { wrapTop, wrapBottom, inBase, jmpPin, pushThreshold } = sm;
  const pins = (inBase ? (allPins >>> inBase) | (allPins << (32 - inBase)) : allPins) >>> 0;
  const jump = (allPins >>> jmpPin) & 1;
  const divider = (sm.clockDivInt || 65536) + sm.clockDivFrac / 256;
  if (sm.stalled !== null) {
    if (!push(sm, sm.stalled, clock)) {
      sm.due = until;
      return;
    }
    sm.stalled = null;
  }
  let seen = null;
  while (sm.due < until) {
    if (sm.pc === wrapBottom) {
      // A whole turn that changed nothing can be repeated without being executed.
      if (
        seen !== null &&
        seen.x === sm.x &&
        seen.y === sm.y &&
        seen.isr === sm.inputShiftReg &&
        seen.isrCount === sm.inputShiftCount &&
        seen.osr === sm.outputShiftReg &&
        seen.osrCount === sm.outputShiftCount &&
        seen.pushes === sm.pushes
      ) {
        const turn = sm.due - seen.due;
        const turns = Math.floor((until - sm.due) / turn);
        if (turns > 0) {
          sm.due += turns * turn;
          seen = null;
          continue;
        }
      }
      seen = {
        x: sm.x,
        y: sm.y,
        isr: sm.inputShiftReg,
        isrCount: sm.inputShiftCount,
        osr: sm.outputShiftReg,
        osrCount: sm.outputShiftCount,
        pushes: sm.pushes,
        due: sm.due,
      };
    }
    const word = code[sm.pc];
    const arg = word & 0xff;
    let next = sm.pc === wrapTop ? wrapBottom : (sm.pc + 1) & 31;
    switch (word >>> 13) {
      case 0: {
        let taken;
        switch (arg >> 5) {
          case 0:
            taken = true;
            break;
          case 1:
            taken = sm.x === 0;
            break;
          case 2:
            taken = sm.x !== 0;
            sm.x = (sm.x - 1) >>> 0;
            break;
          case 3:
            taken = sm.y === 0;
            break;
          case 4:
            taken = sm.y !== 0;
            sm.y = (sm.y - 1) >>> 0;
            break;
          case 5:
            taken = sm.x >>> 0 !== sm.y >>> 0;
            break;
          case 6:
            taken = jump === 1;
            break;
          default:
            taken = sm.outputShiftCount < sm.pullThreshold;
        }
        if (taken) next = arg & 31;
        break;
      }
      case 1: {
        const kind = (arg >> 5) & 3;
        if (kind > 1) refuse('wait irq');
        const pin = kind === 0 ? arg & 31 : ((arg & 31) + inBase) & 31;
        if (((allPins >>> pin) & 1) !== arg >> 7) {
          // Looks again every cycle; nothing changes before `until`.
          sm.due += Math.ceil((until - sm.due) / divider) * divider;
          return;
        }
        break;
      }
      case 2: {
        const count = arg & 31 || 32;
        const value = source(sm, arg >> 5, pins);
        if (count === 32) {
          sm.inputShiftReg = value >>> 0;
        } else {
          const bits = value & ((1 << count) - 1);
          sm.inputShiftReg =
            (shiftCtrl & IN_RIGHT
              ? (sm.inputShiftReg >>> count) | (bits << (32 - count))
              : (sm.inputShiftReg << count) | bits) >>> 0;
        }
        sm.inputShiftCount = Math.min(32, sm.inputShiftCount + count);
        if (shiftCtrl & AUTOPUSH && sm.inputShiftCount >= pushThreshold) {
          const full = sm.inputShiftReg;
          sm.inputShiftReg = 0;
          sm.inputShiftCount = 0;
          if (!push(sm, full, clock)) {
            sm.stalled = full;
            sm.pc = next;
            sm.due = until;
            return;
          }
        }
        break;
      }
      case 3: {
        if (shiftCtrl & AUTOPULL) refuse('autopull');
        const count = arg & 31 || 32;
        let value;
        if (count === 32) {
          value = sm.outputShiftReg >>> 0;
        } else if (shiftCtrl & OUT_RIGHT) {
          value = sm.outputShiftReg & ((1 << count) - 1);
          sm.outputShiftReg = sm.outputShiftReg >>> count;
        } else {
          value = sm.outputShiftReg >>> (32 - count);
          sm.outputShiftReg = (sm.outputShiftReg << count) >>> 0;
        }
        sm.outputShiftCount = Math.min(32, sm.outputShiftCount + count);
        switch (arg >> 5) {
          case 1:
            sm.x = value;
            break;
          case 2:
            sm.y = value;
            break;
          case 3:
            break;
          case 5:
            next = value & 31;
            break;
          case 6:
            sm.inputShiftReg = value;
            sm.inputShiftCount = count;
            break;
          default:
            refuse(`out to ${arg >> 5}`);
        }
        break;
      }
      case 4: {
        if (arg & 0x80) refuse('pull');
        if (arg & 0x40 && sm.inputShiftCount < pushThreshold) break;
        const full = sm.inputShiftReg;
        sm.inputShiftReg = 0;
        sm.inputShiftCount = 0;
        if (!push(sm, full, clock) && arg & 0x20) {
          sm.stalled = full;
          sm.pc = next;
          sm.due = until;
          return;
        }
        break;
      }
      case 5: {
        let value = source(sm, arg & 7, pins);
        const operation = (arg >> 3) & 3;
        if (operation === 1) value = ~value;
        if (operation === 2) value = reverse(value);
        value = value >>> 0;
        switch (arg >> 5) {
          case 1:
            sm.x = value;
            break;
          case 2:
            sm.y = value;
            break;
          case 5:
            next = value & 31;
            break;
          case 6:
            sm.inputShiftReg = value;
            sm.inputShiftCount = 0;
            break;
          case 7:
            sm.outputShiftReg = value;
            sm.outputShiftCount = 0;
            break;
          default:
            refuse(`mov to ${arg >> 5}`);
        }
        break;
      }
      case 6: {
        if (arg & 0x20) refuse('irq wait');
        const flag = arg & 0x10 ? (arg & 4) | ((arg + sm.index) & 3) : arg & 7;
        if (arg & 0x40) pio.irq &= ~(1 << flag);
        else pio.irq |= 1 << flag;
        break;
      }
      default:
        switch (arg >> 5) {
          case 1:
            sm.x = arg & 31;
            break;
          case 2:
            sm.y = arg & 31;
            break;
          default:
            refuse('pins as outputs');
        }
    }
    sm.pc = next;
    // No side-set in use: all five bits are delay.
    sm.due += (1 + ((word >> 8) & 31)) * divider;
  }
}
