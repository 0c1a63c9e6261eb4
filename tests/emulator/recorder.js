// What the image's session was given and what it decided, in order, for a replay through the same session elsewhere.
//
// Nothing is put into the image for it: the recorder looks over the processor's shoulder, at its stores to the words in
// which the image keeps what it saw and how far it has come.

const NAMES = {
  held: ['flags', 'HELD'],
  what: ['flags', 'WHAT'],
  when: ['flags', 'WHEN'],
  decided: ['clock', 'DECIDED'],
  ticks: ['clock', 'TICKS'],
  at: ['clock', 'SAMPLED_AT'],
  levels: ['clock', 'LEVELS'],
  count: ['clock', 'COUNT'],
  edge: ['clock', 'EDGE'],
  indexTick: ['clock', 'INDEX_TICK'],
  indexCount: ['clock', 'INDEX_COUNT'],
  indexAt: ['clock', 'INDEX_AT'],
  contactsIn: ['analog', 'CONTACTS_IN'],
  levelsRead: ['analog', 'LEVELS_READ'],
  readOuts: ['analog', 'READ_OUTS_READ'],
  illegal: ['encoder', 'ILLEGAL'],
  lost: ['encoder', 'LOST'],
  command: ['analog', 'COMMAND'],
  contactsOut: ['analog', 'CONTACTS_OUT'],
  received: ['usb', 'RECEIVED'],
  sent: ['usb', 'SENT'],
  changes: ['usb', 'CHANGES'],
  handedOver: ['burst', 'HANDED_OVER'],
  began: ['burst', 'BEGAN'],
  burstMode: ['burst', 'MODE'],
  points: ['burst', 'POINTS'],
  retained: ['retained', 'RETAINED'],
};

export class Recorder {
  constructor(elf, chip, bench) {
    this.entries = [];
    this.toDevice = [];
    this.fromDevice = [];
    this.chip = chip;
    this.bench = bench;
    this.at = {};
    for (const [key, [module, name]] of Object.entries(NAMES)) {
      this.at[key] = elf.find(`proofstand_pico`, 'board', module, name).address;
    }
    const { core } = chip.chip;
    const stock = core.writeUint32;
    const acts = new Map([
      [this.at.held, (value) => this.#held(value, core.IPSR !== 0)],
      // The start-up code clears these words: that is nothing.
      [this.at.decided, (value) => value > 0 && this.#decided(value)],
      [this.at.received, (value) => this.#received(value)],
      [this.at.sent, (value) => this.#sent(value)],
      [this.at.changes, (value) => value > 0 && this.entries.push(['port'])],
      [this.at.began, (value) => value > 0 && this.entries.push(['began', value])],
      [this.at.handedOver, (value) => this.#handedOver(value)],
    ]);
    // A burst changes the readings at any time: what counts is what the main loop fetched.
    this.fetched = new Map([this.at.levelsRead, this.at.readOuts].map((address) => [address, 0]));
    const { fetched } = this;
    const read = core.readUint32;
    core.readUint32 = function (address) {
      const value = read.call(core, address);
      if (fetched.has(address) && core.IPSR === 0) fetched.set(address, value);
      return value;
    };
    core.writeUint32 = function (address, value) {
      const act = acts.get(address);
      if (act !== undefined) act(value >>> 0);
      stock.call(core, address, value);
    };
  }

  #word(key, index = 0) {
    return this.chip.chip.readUint32(this.at[key] + 4 * index);
  }

  // One more flag edge kept, by the handler; or the main loop took them.
  #held(value, inHandler) {
    if (inHandler) this.entries.push(['edge', this.#word('what', value - 1), this.#word('when', value - 1)]);
    else this.entries.push(['take']);
  }

  #decided(tick) {
    const whole = tick === this.#word('ticks');
    const index = this.#word('indexTick') === tick ? [this.#word('indexCount'), this.#word('indexAt')] : [];
    const seen = ['at', 'levels', 'count', 'edge', 'contactsIn'].map((key) => this.#word(key));
    seen.push(...this.fetched.values());
    const illegal = (this.#word('illegal') + this.#word('lost')) >>> 0;
    const enable = this.bench.enableRequest ? 1 : 0;
    const decided = [this.#word('command'), enable, this.#word('contactsOut')];
    this.entries.push(['tick', whole ? 1 : 0, seen, illegal, index, decided]);
  }

  #received(total) {
    const count = total - this.chip.chip.readUint32(this.at.received);
    if (count > 0) this.entries.push(['in', Buffer.from(this.toDevice.splice(0, count)).toString('hex')]);
  }

  #sent(total) {
    const count = total - this.chip.chip.readUint32(this.at.sent);
    if (count > 0) this.entries.push(['out', count]);
  }

  #handedOver(total) {
    const before = this.chip.chip.readUint32(this.at.handedOver);
    if (total > before) {
      const words = Array.from({ length: 1024 }, (_, i) => this.#word('points', i));
      this.entries.push(['points', this.#word('burstMode'), before, total, words]);
    }
  }

  // The flash took something: the record that waits is being stored.
  stored() {
    this.entries.push(['stored']);
  }

  take() {
    const { entries, fromDevice } = this;
    this.entries = [];
    this.fromDevice = [];
    return { entries, epoch: (this.#word('retained', 1) << 16) >>> 0, sent: Buffer.from(fromDevice).toString('hex') };
  }
}
