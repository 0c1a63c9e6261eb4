// The two converters and the contacts' shift registers, as the bus sees them: own models from the parts' data sheets
// and from the Linux drivers ad5761.c and ti-ads8688.c, not from this project's drivers.

export class Dac {
  constructor({ gain, offset }) {
    Object.assign(this, { gain, offset });
    this.present = true;
    this.powerUp();
  }

  powerUp() {
    this.control = 0;
    this.code = 0x8000;
    this.answer = [0, 0, 0];
    this.frame = [];
  }

  select() {
    this.frame = [];
  }

  exchange(byte) {
    const index = this.frame.push(byte) - 1;
    return this.present ? (this.answer[index] ?? 0) : 0xff;
  }

  // The end of a frame. Returns what is wrong with it, if anything.
  deselect() {
    const [first, high, low] = this.frame;
    if (this.frame.length !== 3) return `a DAC frame of ${8 * this.frame.length} bits`;
    const data = (high << 8) | low;
    const reply = (value) => [first, value >> 8, value & 0xff];
    this.answer = [0, 0, 0];
    if (!this.present) return null;
    switch (first & 0xf) {
      case 0x0:
        return null;
      case 0x3:
        this.code = data;
        return null;
      case 0x4:
        this.control = data & 0x07ff;
        return null;
      case 0xb:
        this.answer = reply(this.code);
        return null;
      case 0xc:
        this.answer = reply(this.control);
        return null;
      case 0xf:
        this.powerUp();
        return null;
      default:
        return `DAC address ${first & 0xf}`;
    }
  }

  // Volts at the output. Until the range is set the part holds its output at ground.
  volts() {
    if ((this.control & 7) !== 0 || this.control === 0) return 0;
    return ((this.code - 0x8000) * 20) / 0x10000 * this.gain + this.offset;
  }
}

export class Adc {
  constructor(channels, volts) {
    this.channels = channels;
    this.volts = volts;
    this.present = true;
    this.powerUp();
  }

  powerUp() {
    this.ranges = Array(8).fill(0);
    this.selected = null;
    this.frame = [];
    this.result = 0;
  }

  select() {
    this.frame = [];
    this.result = this.selected === null ? 0 : this.#convert(this.selected);
  }

  #convert(channel) {
    const { gain, offset } = this.channels[channel] ?? { gain: 1, offset: 0 };
    const span = this.ranges[channel] === 0 ? 10.24 : 5.12;
    const ideal = (this.volts(channel) - offset) / gain;
    return Math.min(0xffff, Math.max(0, Math.round((ideal / span + 1) * 0x8000)));
  }

  exchange(byte) {
    const index = this.frame.push(byte) - 1;
    if (!this.present) return 0xff;
    const [first, data] = this.frame;
    // Commands have their top bit set, or are zero; the rest are program registers.
    const isCommand = first >= 0x80 || first === 0;
    if (index === 2) return isCommand ? this.result >> 8 : data;
    if (index === 3) return isCommand ? this.result & 0xff : 0;
    return 0;
  }

  deselect() {
    const [first, data] = this.frame;
    const bytes = this.frame.length;
    if (first >= 0x80 || first === 0) {
      if (bytes !== 4) return `an ADC command of ${8 * bytes} bits`;
      if (first === 0x85) this.powerUp();
      else if (first >= 0xc0 && first <= 0xdc) this.selected = (first >> 2) & 7;
      else if (first !== 0) return `ADC command ${first}`;
      return null;
    }
    if (bytes !== 3) return `an ADC register frame of ${8 * bytes} bits`;
    const address = first >> 1;
    if (first & 1 && address >= 5 && address <= 12) this.ranges[address - 5] = data & 7;
    return null;
  }
}

// 74HC595 for the contacts out, 74HC165 for those in, on one latch.
export class ShiftRegisters {
  constructor(contacts) {
    this.contacts = contacts;
    this.shifting = 0;
    this.out = 0;
    this.held = 0;
    this.latch = false;
  }

  exchange(byte) {
    this.shifting = byte;
    if (!this.latch) return 0;
    const read = this.held;
    this.held = 0;
    return read;
  }

  // The latch's level. True: the contacts out have changed.
  set(high) {
    if (high === this.latch) return false;
    this.latch = high;
    if (!high) return false;
    this.held = this.contacts();
    const changed = this.out !== this.shifting;
    this.out = this.shifting;
    return changed;
  }
}
