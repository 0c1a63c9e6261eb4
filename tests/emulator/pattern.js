// Encoder lines made from a rule, for counting at rates that no motor of a test reaches.

// A, B for the four states of a cycle, A leading: bit 0 is A, bit 1 is B.
const STATES = [0b00, 0b01, 0b11, 0b10];

export class Pattern {
  // `spacing` is the mean time between edges; `early` moves the edges within a cycle (phase error, duty error), as
  // shares of the spacing; `wander` moves each edge by up to that share, as a division of a finer encoder does.
  constructor({ spacing, reverseEvery = 0, edges, early = [0, 0, 0, 0], wander = 0, perTurn = 4000, seed = 1, start = 0 }) {
    Object.assign(this, { spacing, reverseEvery, left: edges, early, wander, perTurn });
    this.random = seed >>> 0 || 1;
    this.position = 0;
    this.direction = 1;
    this.time = start;
    this.count = 0;
    this.last = start;
    this.shortest = Infinity;
    // Count at each rising of Z, as it is on the line.
    this.indexCounts = [];
    this.z = false;
  }

  #uniform() {
    // xorshift32 (Marsaglia 2003).
    let x = this.random;
    x ^= x << 13;
    x ^= x >>> 17;
    x ^= x << 5;
    this.random = x >>> 0;
    return this.random / 2 ** 32;
  }

  edges(from, to, each) {
    while (this.left > 0) {
      const next = this.position + this.direction;
      const shift = this.early[((next % 4) + 4) % 4] + this.wander * (this.#peek() - 0.5);
      const at = this.time + this.spacing * (1 + shift);
      if (at > to) return;
      this.drawn = undefined;
      this.position = next;
      this.time += this.spacing;
      this.shortest = Math.min(this.shortest, at - this.last);
      this.last = at;
      this.left--;
      this.count++;
      const z = (((next % this.perTurn) + this.perTurn) % this.perTurn) < 4;
      if (z && !this.z) this.indexCounts.push(next);
      this.z = z;
      each(at, STATES[((next % 4) + 4) % 4] | (z ? 4 : 0));
      if (this.reverseEvery > 0 && this.count % this.reverseEvery === 0) this.direction = -this.direction;
    }
  }

  #peek() {
    if (this.drawn === undefined) this.drawn = this.#uniform();
    return this.drawn;
  }
}
