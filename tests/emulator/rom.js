// A boot ROM that has the flash routines and nothing else. Each routine is a breakpoint that is served here.
//
// Look-up as in the RP2040 datasheet, 2.8.3: halfword 0x14 points at the table of functions, halfword 0x18 at the look-up
// routine. Times from the W25Q16JV datasheet, 9.6: sector erase 45 ms typical (400 ms at most), page program 0.7 ms.

const TABLE = 0x100;
const LOOK_UP = 0x200;
const ROUTINES = 0x300;
const BKPT = 0xbe00;
const BX_LR = 0x4770;
const CODES = ['IF', 'EX', 'RE', 'RP', 'FC', 'CX'];
const SECTOR = 4096;
const PAGE = 256;
const PAGE_NANOS = 700_000;

export class Rom {
  // `flash` belongs to the caller and outlives the chip.
  constructor(chip, flash, hooks) {
    this.chip = chip;
    this.flash = flash;
    this.hooks = hooks;
    this.eraseNanos = hooks.eraseNanos ?? 45_000_000;
    const bytes = new DataView(chip.bootrom.buffer);
    bytes.setUint32(0x10, 0x0201754d, true);
    bytes.setUint16(0x14, TABLE, true);
    bytes.setUint16(0x18, LOOK_UP | 1, true);
    const routine = (at, number) => {
      bytes.setUint16(at, BKPT | number, true);
      bytes.setUint16(at + 2, BX_LR, true);
    };
    routine(LOOK_UP, 0);
    CODES.forEach((_, i) => routine(ROUTINES + 8 * i, i + 1));
  }

  // Serves a breakpoint. False: it is none of the ROM's.
  serve(number) {
    const { core } = this.chip;
    if (core.PC - 2 >= 0x4000) return false;
    const [first, second] = core.registers;
    if (number === 0) {
      const code = String.fromCharCode(second & 0xff, (second >> 8) & 0xff);
      const index = CODES.indexOf(code);
      core.registers[0] = index < 0 ? 0 : (ROUTINES + 8 * index) | 1;
      return true;
    }
    switch (CODES[number - 1]) {
      case 'RE':
        this.#erase(first, second);
        break;
      case 'RP':
        this.#program(first, second, core.registers[2]);
        break;
      default:
        break;
    }
    return true;
  }

  #erase(offset, count) {
    for (let at = offset; at < offset + count; at += SECTOR) {
      const share = this.hooks.onFlash('erase', at);
      this.flash.fill(0xff, at, at + Math.round(share * SECTOR));
      this.chip.flash.set(this.flash.subarray(at, at + SECTOR), at);
      if (this.hooks.isOff()) return;
      this.hooks.pass(this.eraseNanos);
    }
  }

  #program(offset, from, count) {
    for (let done = 0; done < count; done += PAGE) {
      const share = this.hooks.onFlash('program', offset + done);
      const length = Math.min(PAGE, count - done);
      for (let i = 0; i < Math.round(share * length); i++) {
        // Programming only clears bits.
        this.flash[offset + done + i] &= this.chip.readUint8(from + done + i);
      }
      this.chip.flash.set(this.flash.subarray(offset + done, offset + done + length), offset + done);
      if (this.hooks.isOff()) return;
      this.hooks.pass(PAGE_NANOS);
    }
  }
}
