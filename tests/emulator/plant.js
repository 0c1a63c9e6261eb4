// The simulated axis: the very crate that rehearsals use, as WebAssembly.

import { readFileSync } from 'node:fs';

export class Plant {
  constructor(file, setup, seed) {
    const module = new WebAssembly.Module(readFileSync(file));
    const { exports } = new WebAssembly.Instance(module, {});
    this.exports = exports;
    for (const byte of setup) exports.push(byte);
    const created = exports.create(BigInt(seed));
    if (created !== 0) throw new Error(`the plant can't be set up (${created})`);
  }

  advance(nanos, command, enable, contacts) {
    const bits = (enable ? 1 : 0) | (contacts << 1);
    this.exports.advance(nanos, command, bits);
  }

  // Edges of the encoder lines after `from` up to and with `to`: calls back with time and levels of A, B, Z as bits.
  edges(from, to, each) {
    const count = this.exports.edges(from, to);
    if (count < 0) throw new Error('the plant has forgotten its last step');
    for (let i = 0; i < count; i++) each(this.exports.edge_time(i), this.exports.edge_levels(i));
  }

  flagEdges(each) {
    const count = this.exports.flag_edges();
    for (let i = 0; i < count; i++) {
      const what = this.exports.flag_edge(i);
      each(this.exports.flag_edge_time(i), what & 7, (what & 8) !== 0);
    }
  }

  lines() {
    return this.exports.lines();
  }

  flags() {
    return this.exports.flags();
  }

  pairsDriven() {
    return this.exports.pairs_driven() !== 0;
  }

  torqueReadout() {
    return this.exports.torque_readout();
  }

  speedReadout() {
    return this.exports.speed_readout();
  }

  mark() {
    this.exports.mark();
  }

  // -1 counterclockwise, 1 clockwise, 0 too little to tell.
  turned() {
    return this.exports.turned();
  }

  // False: the shaft can't be turned by hand now.
  turn(turns, seconds) {
    return this.exports.turn(turns, seconds) === 0;
  }

  isTurning() {
    return this.exports.is_turning() !== 0;
  }

  controlPower(on) {
    this.exports.control_power(on ? 1 : 0);
  }

  motorPower(on) {
    this.exports.motor_power(on ? 1 : 0);
  }

  lookAway() {
    this.exports.look_away();
  }

  // Percent that the person read of the display, or null.
  display() {
    const percent = this.exports.display();
    return Number.isNaN(percent) ? null : percent;
  }

  counter() {
    return this.exports.counter();
  }

  rpm() {
    return this.exports.rpm();
  }
}

// Stands still, for tests that need no axis.
export class NoPlant {
  constructor() {
    this.level = 0;
  }

  advance() {}
  edges() {}
  flagEdges() {}
  lines() {
    return 0;
  }
  flags() {
    return 0;
  }
  pairsDriven() {
    return true;
  }
  torqueReadout() {
    return 0;
  }
  speedReadout() {
    return 0;
  }
  mark() {}
  turned() {
    return 0;
  }
  turn() {
    return false;
  }
  isTurning() {
    return false;
  }
  controlPower() {}
  motorPower() {}
  lookAway() {}
  display() {
    return null;
  }
  counter() {
    return 0;
  }
  rpm() {
    return 0;
  }
}
