// The board image: what is loaded where, and the addresses of its symbols (ELF32, little endian; System V ABI, chapters
// 4 and 5).

const PT_LOAD = 1;
const SHT_SYMTAB = 2;

export class Elf {
  constructor(bytes) {
    const view = new DataView(bytes.buffer, bytes.byteOffset, bytes.byteLength);
    if (bytes.length < 52 || view.getUint32(0, false) !== 0x7f454c46 || bytes[4] !== 1 || bytes[5] !== 1) {
      throw new Error('the image is no 32-bit little-endian ELF file');
    }
    this.bytes = bytes;
    this.view = view;
    this.segments = this.#segments();
    this.symbols = this.#symbols();
  }

  // Loaded segments: physical address and contents.
  #segments() {
    const { view, bytes } = this;
    const [start, size, count] = [view.getUint32(28, true), view.getUint16(42, true), view.getUint16(44, true)];
    const segments = [];
    for (let i = 0; i < count; i++) {
      const at = start + i * size;
      const length = view.getUint32(at + 16, true);
      if (view.getUint32(at, true) === PT_LOAD && length > 0) {
        const offset = view.getUint32(at + 4, true);
        segments.push({ address: view.getUint32(at + 12, true), data: bytes.subarray(offset, offset + length) });
      }
    }
    return segments;
  }

  #symbols() {
    const { view, bytes } = this;
    const [start, size, count] = [view.getUint32(32, true), view.getUint16(46, true), view.getUint16(48, true)];
    const section = (i) => {
      const at = start + i * size;
      return {
        type: view.getUint32(at + 4, true),
        offset: view.getUint32(at + 16, true),
        length: view.getUint32(at + 20, true),
        link: view.getUint32(at + 24, true),
      };
    };
    const symbols = new Map();
    for (let i = 0; i < count; i++) {
      const table = section(i);
      if (table.type !== SHT_SYMTAB) continue;
      const names = section(table.link).offset;
      for (let at = table.offset; at < table.offset + table.length; at += 16) {
        const name = names + view.getUint32(at, true);
        const end = bytes.indexOf(0, name);
        symbols.set(Buffer.from(bytes.subarray(name, end)).toString('latin1'), {
          address: view.getUint32(at + 4, true),
          size: view.getUint32(at + 8, true),
        });
      }
    }
    return symbols;
  }

  // The symbol whose mangled name holds these words one after the other, each with its length before it as Rust's mangling
  // has it. There must be exactly one address.
  find(...words) {
    const wanted = words.map((word) => `${word.length}${word}`);
    const places = new Map();
    for (const [name, symbol] of this.symbols) {
      let from = 0;
      const all = wanted.every((word) => {
        const at = name.indexOf(word, from);
        from = at + word.length;
        return at >= 0;
      });
      if (all) places.set(symbol.address, symbol);
    }
    if (places.size !== 1) throw new Error(`the image has ${places.size} symbols of the name ${words.join('::')}`);
    return [...places.values()][0];
  }

  // The function that an address lies in.
  functionAt(address) {
    for (const [name, { address: start, size }] of this.symbols) {
      if (size > 0 && address >= (start & ~1) && address < (start & ~1) + size) return name;
    }
    return address.toString(16);
  }
}
