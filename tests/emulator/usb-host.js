// The host's end of the USB cable: enumerates the CDC device, then carries bytes both ways at full speed's pace.
//
// rp2040js answers bulk requests with empty packets and frees buffers at once; endpoints other than 0 are served here.

import { USBCDC } from 'rp2040js';

const AVAILABLE = 1 << 10;
const FULL = 1 << 15;
const LENGTH = 0x3ff;
const SIE_STATUS = 0x50;
const SUSPENDED = 1 << 4;
const FIRST_BUFFER_CONTROL = 0x80;
const LAST_BUFFER_CONTROL = 0xff;
// A bulk transaction at full speed: token, turn-round and acknowledge, then 12 Mbit/s (measured shape; our own model).
const OVERHEAD_NANOS = 8_000;
const BYTE_NANOS = 670;
const DTR_AND_RTS = 3;
// A request for a string (USB 2.0, tables 9-3 to 9-5; language 0x0409).
const DEVICE_TO_HOST = 0x80;
const GET_DESCRIPTOR = 6;
const STRING = 3;
const ENGLISH = 0x0409;

export class UsbHost {
  constructor(chip) {
    this.chip = chip;
    this.clock = chip.clock;
    this.usb = chip.usbCtrl;
    this.toDevice = [];
    this.fromDevice = [];
    this.connected = false;
    this.plugged = true;
    this.reading = true;
    this.busyUntil = 0;
    this.nanosPerByte = BYTE_NANOS;
    this.waiting = new Map();
    this.alarms = new Map();
    this.lineState = DTR_AND_RTS;
    this.onBytes = () => {};
    this.#override();
    this.#enumerate();
  }

  #enumerate() {
    const cdc = new USBCDC(this.usb);
    const set = cdc.cdcSetControlLineState.bind(cdc);
    // Called with no argument at the end of enumeration.
    cdc.cdcSetControlLineState = (value = this.lineState) => set(value);
    cdc.onDeviceConnected = () => {
      this.connected = true;
      this.#start();
    };
    cdc.onSerialData = () => {};
    cdc.usb.onEndpointRead = () => {};
    this.cdc = cdc;
  }

  #override() {
    const { usb } = this;
    const stock = usb.DPRAMUpdated.bind(usb);
    usb.DPRAMUpdated = (offset, value) => {
      if (offset < FIRST_BUFFER_CONTROL || offset > LAST_BUFFER_CONTROL) return;
      const endpoint = (offset - FIRST_BUFFER_CONTROL) >> 3;
      if (endpoint === 0) return stock(offset, value);
      if (value & AVAILABLE) this.waiting.set(offset, endpoint);
      else this.waiting.delete(offset);
      this.#start();
    };
    const write = usb.writeUint32.bind(usb);
    usb.writeUint32 = (offset, value) => {
      if (offset === SIE_STATUS && usb.rawWriteValue & SUSPENDED) usb.sieStatus &= ~SUSPENDED;
      write(offset, value);
    };
  }

  // Starts every transaction that both ends are ready for, one after the other on the wire.
  #start() {
    if (!this.connected || !this.plugged) return;
    for (const [offset, endpoint] of this.waiting) {
      if (this.alarms.get(offset)?.scheduled) continue;
      const out = (offset & 4) !== 0;
      if (out && (endpoint !== this.cdc.outEndpoint || this.toDevice.length === 0)) continue;
      if (!out && !this.reading) continue;
      const control = this.chip.usbDPRAMView.getUint32(offset, true);
      const count = out ? Math.min(control & LENGTH, this.toDevice.length) : control & LENGTH;
      const begin = Math.max(this.clock.nanos, this.busyUntil);
      this.busyUntil = begin + OVERHEAD_NANOS + this.nanosPerByte * count;
      if (!this.alarms.has(offset)) {
        this.alarms.set(offset, this.clock.createAlarm(() => this.#finish(offset)));
      }
      const alarm = this.alarms.get(offset);
      alarm.schedule(this.busyUntil - this.clock.nanos);
      alarm.scheduled = true;
    }
  }

  #finish(offset) {
    this.alarms.get(offset).scheduled = false;
    const endpoint = this.waiting.get(offset);
    if (endpoint === undefined || !this.plugged) return;
    this.waiting.delete(offset);
    const { chip, usb } = this;
    const out = (offset & 4) !== 0;
    const control = chip.usbDPRAMView.getUint32(offset, true);
    const at = usb.getEndpointBufferOffset(endpoint, out);
    let count = control & LENGTH;
    if (out) {
      count = Math.min(count, this.toDevice.length);
      chip.usbDPRAM.set(this.toDevice.splice(0, count), at);
      const done = (control & ~(AVAILABLE | LENGTH)) | FULL | count;
      chip.usbDPRAMView.setUint32(offset, done, true);
    } else {
      chip.usbDPRAMView.setUint32(offset, control & ~(AVAILABLE | FULL), true);
      if (endpoint === this.cdc.inEndpoint && count > 0) {
        for (let i = 0; i < count; i++) this.fromDevice.push(chip.usbDPRAM[at + i]);
        this.onBytes(count);
      }
    }
    usb.indicateBufferReady(endpoint, out);
    this.#start();
  }

  // Asks for a string descriptor (USB 2.0, 9.4.3 and 9.6.7). `wait` lets the device run meanwhile.
  string(index, wait) {
    const { usb } = this;
    const stock = usb.onEndpointWrite;
    let answer = null;
    usb.onEndpointWrite = (endpoint, bytes) => {
      if (endpoint === 0 && bytes.length > 0) answer ??= bytes;
      else stock(endpoint, bytes);
    };
    usb.sendSetupPacket(Uint8Array.of(DEVICE_TO_HOST, GET_DESCRIPTOR, index, STRING, ENGLISH & 0xff, ENGLISH >> 8, 255, 0));
    wait();
    usb.onEndpointWrite = stock;
    if (answer === null || answer[1] !== STRING) return null;
    return Buffer.from(answer.subarray(2, answer[0])).toString('utf16le');
  }

  send(bytes) {
    if (!this.plugged) return;
    for (const byte of bytes) this.toDevice.push(byte);
    this.#start();
  }

  take() {
    const bytes = Uint8Array.from(this.fromDevice);
    this.fromDevice.length = 0;
    return bytes;
  }

  // A program opens or closes the port.
  open(isOpen) {
    const state = isOpen ? DTR_AND_RTS : 0;
    if (state === this.lineState) return;
    this.lineState = state;
    if (this.connected) this.cdc.cdcSetControlLineState(state);
  }

  // Whether anybody takes what the device sends.
  read(reading) {
    this.reading = reading;
    this.#start();
  }

  unplug() {
    this.plugged = false;
    this.connected = false;
    this.toDevice.length = 0;
    this.fromDevice.length = 0;
    this.waiting.clear();
    for (const alarm of this.alarms.values()) {
      alarm.cancel();
      alarm.scheduled = false;
    }
    this.usb.sieStatus |= SUSPENDED;
    this.usb.sieStatusUpdated();
  }

  plug() {
    this.plugged = true;
    this.#enumerate();
    this.usb.resetDevice();
  }
}
