// Serves one emulated fixture over standard input and output, one request after the other.
//
// Request: length of what follows (u32, little endian), a letter, a body. Answer: the same.
//   x  exchange: time to run at most in nanoseconds (f64), 1 to come back as soon as the device sends (u8), bytes for the
//      device. Answer: the time then (f64), resets since power-up (u32), bytes from the device.
//   c  order, JSON. Answer: JSON.
//   e  (answer only) it failed: a message.

import { readSync, writeSync } from 'node:fs';
import { Machine } from './machine.js';

function readExactly(length) {
  const buffer = Buffer.alloc(length);
  let done = 0;
  while (done < length) {
    let got;
    try {
      got = readSync(0, buffer, done, length - done, null);
    } catch (error) {
      if (error.code === 'EAGAIN') continue;
      if (error.code === 'EOF') process.exit(0);
      throw error;
    }
    if (got === 0) process.exit(0);
    done += got;
  }
  return buffer;
}

function answer(kind, body) {
  const head = Buffer.alloc(5);
  head.writeUInt32LE(body.length + 1, 0);
  head[4] = kind.charCodeAt(0);
  const all = Buffer.concat([head, body]);
  let done = 0;
  while (done < all.length) {
    try {
      done += writeSync(1, all, done);
    } catch (error) {
      if (error.code !== 'EAGAIN') process.exit(0);
    }
  }
}

let machine = null;

function serve(kind, body) {
  if (kind === 'x') {
    const span = body.readDoubleLE(0);
    const untilBytes = body[8] === 1;
    if (body.length > 9) machine.send(body.subarray(9));
    machine.run(span, untilBytes);
    const bytes = machine.take();
    const head = Buffer.alloc(12);
    head.writeDoubleLE(machine.nanos, 0);
    head.writeUInt32LE(machine.resets, 8);
    return answer('x', Buffer.concat([head, bytes]));
  }
  const order = JSON.parse(body.toString('utf8'));
  if (order.order === 'start') {
    machine = new Machine(order);
    return answer('c', Buffer.from('{}'));
  }
  return answer('c', Buffer.from(JSON.stringify(machine.order(order))));
}

for (;;) {
  const length = readExactly(4).readUInt32LE(0);
  const request = readExactly(length);
  try {
    serve(String.fromCharCode(request[0]), request.subarray(1));
  } catch (error) {
    answer('e', Buffer.from(String(error.stack ?? error)));
  }
}
