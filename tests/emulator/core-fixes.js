// What rp2040js 1.4.1 does otherwise than the chip, put right on one instance: core, timer, watchdog, DMA.
// Each paragraph says what is wrong without it.

// Cycles of exception entry and return on a Cortex-M0+ without wait states (technical reference manual, 3.8: entry 15;
// return is from memory).
const ENTRY_CYCLES = 15;
const RETURN_CYCLES = 12;

export function fixCore(core) {
  // Handlers start with an odd program counter, and jump tables that are relative to it run away. Neither entry nor
  // return takes time.
  const entry = core.exceptionEntry.bind(core);
  core.exceptionEntry = (number) => {
    entry(number);
    core.PC = core.PC & ~1;
    core.cycles += ENTRY_CYCLES;
  };
  const back = core.exceptionReturn.bind(core);
  core.exceptionReturn = (value) => {
    back(value);
    core.cycles += RETURN_CYCLES;
  };
  // A sleeping core takes an interrupt that PRIMASK masks. It must wake, and only go on.
  core.setInterrupt = (irq, value) => {
    const bit = 1 << irq;
    if (!value) {
      core.pendingInterrupts &= ~bit;
    } else if (!(core.pendingInterrupts & bit)) {
      core.pendingInterrupts |= bit;
      core.interruptsUpdated = true;
      if (core.enabledInterrupts & bit) core.waiting = false;
    }
  };
}

// Alarms fire up to a microsecond early, since the delay is cut to whole microseconds; and the timer goes on counting
// through resets.
export function fixTimer(timer, clock) {
  let base = clock.nanos;
  const own = {
    get nanos() {
      return clock.nanos - base;
    },
    createAlarm: (callback) => clock.createAlarm(callback),
  };
  timer.clock = own;
  const write = timer.writeUint32.bind(timer);
  timer.writeUint32 = (offset, value) => {
    if (offset < 0x10 || offset > 0x1c) return write(offset, value);
    const alarm = timer.alarms[(offset - 0x10) >> 2];
    const nanos = own.nanos;
    const micros = Math.floor(nanos / 1000);
    const ahead = (value - micros) >>> 0;
    alarm.armed = true;
    alarm.targetMicros = value >>> 0;
    alarm.clockAlarm.schedule((micros + (ahead === 0 ? 2 ** 32 : ahead)) * 1000 - nanos);
  };
  return {
    nanos: () => own.nanos,
    restart() {
      base = clock.nanos;
      for (const alarm of timer.alarms) timer.disarmAlarm(alarm);
      timer.intEnable = 0;
      timer.intRaw = 0;
      timer.checkInterrupts();
    },
  };
}

// The timer is not reset by the reset controller.
export function fixResets(resets, timerFix) {
  const RESET_TIMER = 1 << 21;
  const write = resets.writeUint32.bind(resets);
  resets.writeUint32 = (offset, value) => {
    if (offset === 0 && value & RESET_TIMER && !(resets.reset & RESET_TIMER)) timerFix.restart();
    write(offset, value);
  };
}

// A watchdog that has run out fires again at once and for ever.
export function fixWatchdog(watchdog, onReset) {
  watchdog.onWatchdogTrigger = () => {
    watchdog.alarm.enable = false;
    watchdog.timer.enable = false;
    onReset(watchdog.reason);
  };
}

// Transfers wait for the clock to move although the state machine that asks for them ran in the past (it is brought up to
// date lazily). Those of PIO, and unpaced ones, are carried out on the spot.
const PIO_REQUESTS = 16;
const UNPACED = 0x3f;

export function fixDma(dma) {
  for (const channel of dma.channels) {
    const later = channel.scheduleTransfer.bind(channel);
    let running = false;
    let again = false;
    channel.scheduleTransfer = () => {
      const request = channel.treqValue;
      if (request >= PIO_REQUESTS && request !== UNPACED) return later();
      if (request !== UNPACED && !dma.dreq[request]) return;
      if (running) {
        again = true;
        return;
      }
      running = true;
      do {
        again = false;
        channel.transfer();
      } while (again);
      running = false;
    };
  }
}
