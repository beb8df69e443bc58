// The other end of the cable: a full-speed bus and a computer that enumerates the board and opens its serial port.
//
// It stands where the emulator's own controller would: it looks at the buffers that the firmware has given away, as the
// chip's data sheet describes them, moves one packet of at most 64 bytes at a time, checks that packets are marked DATA0
// and DATA1 in turn (a real computer silently throws away those that are not), and says on the chip's side what was done.
import { Problem } from './chip.mjs';

const SLOT_NS = 1e6 / 19; // at most 19 bulk packets of 64 bytes a millisecond: USB 2.0, table 5-9
const PATIENCE_SLOTS = 19 * 500; // a computer gives up a control request after some seconds
const RESET_NS = 10e6;
const PULLUP = 1 << 16;
const BUS_RESET = 1 << 19;
const SETUP_RECEIVED = 1 << 17;
const FULL = 0x8000, DATA1 = 0x2000, SELECT_FIRST = 0x1000, STALL = 0x0800, AVAILABLE = 0x0400, LENGTH = 0x03ff;
const DOUBLE = 1 << 30, ENABLE = 1 << 31, EACH = 1 << 29;

export class Bus {
  /** `port`: what the computer does with the line: take(bytes), wants(), next(most). */
  constructor(chip, port, computer) {
    this.chip = chip;
    this.usb = chip.usbCtrl;
    this.memory = chip.usbDPRAM;
    this.view = chip.usbDPRAMView;
    this.port = port;
    this.computer = computer;
    this.steps = null;
    this.toggles = new Map();
    this.half = 0;
    this.lineOpen = false;
    this.usb.DPRAMUpdated = () => {};
    const write = this.usb.handleSieCtrlWrite.bind(this.usb);
    this.usb.handleSieCtrlWrite = (value) => {
      if (value & PULLUP && !(this.usb.sieCtrl & PULLUP)) this.resetAlarm.schedule(RESET_NS);
      write(value);
    };
    this.resetAlarm = chip.clock.createAlarm(() => this.reset());
    this.slotAlarm = chip.clock.createAlarm(() => this.slot());
  }

  reset() {
    this.usb.sieStatus |= BUS_RESET;
    this.usb.sieStatusUpdated();
    this.lineOpen = false;
    this.waited = 0;
    this.begin(this.computer(this));
    this.slotAlarm.schedule(RESET_NS);
  }

  slot() {
    this.slotAlarm.schedule(SLOT_NS);
    if (this.wanted && !this.wanted.done) return this.control();
    if (this.lineOpen && this.turn) {
      this.turn = false;
      if (this.sendToBoard()) return;
    }
    this.turn = true;
    if (this.lineOpen && this.port.wants()) this.takeFromBoard();
  }

  /** Let the computer do something else: a generator of steps, as `computer` is. */
  begin(steps) {
    this.steps = steps;
    this.wanted = steps.next();
  }

  /** Go on with the computer's present step: a function that returns undefined as long as the board is not ready. */
  control() {
    const answer = this.wanted.value();
    if (answer !== undefined) {
      this.waited = 0;
      this.wanted = this.steps.next(answer);
    } else if (++this.waited > PATIENCE_SLOTS) {
      throw new Problem('the board does not answer on its control endpoint');
    }
  }

  word(endpoint, out) { return this.view.getUint32(0x80 + 8 * endpoint + (out ? 4 : 0), true); }

  done(endpoint, out, word) {
    this.view.setUint32(0x80 + 8 * endpoint + (out ? 4 : 0), word >>> 0, true);
    this.usb.indicateBufferReady(endpoint, out);
  }

  checkToggle(endpoint, out, word) {
    const key = 2 * endpoint + (out ? 1 : 0);
    const expected = this.toggles.get(key) ?? 0;
    if (!!(word & DATA1) !== !!expected) throw new Problem(`endpoint ${endpoint}: DATA${expected} was due`);
    this.toggles.set(key, expected ^ 1);
  }

  /** One packet from the board, undefined while it has none; 'stall' when it refuses. */
  packetIn(endpoint) {
    let word = this.word(endpoint, false);
    const control = endpoint ? this.view.getUint32(8 * endpoint, true) : 0;
    if (endpoint && (control & (ENABLE | EACH)) !== (ENABLE | EACH)) return undefined;
    if (endpoint === 0 && word & STALL && this.usb.epStallArm & 1) return 'stall';
    if (word & SELECT_FIRST && word & AVAILABLE) this.half = 0;
    const shift = control & DOUBLE ? 16 * this.half : 0;
    const part = (word >>> shift) & 0xffff;
    if (!(part & AVAILABLE)) return undefined;
    if (!(part & FULL)) throw new Problem(`endpoint ${endpoint}: a packet to be sent is not marked full`);
    this.checkToggle(endpoint, false, part);
    const at = endpoint ? (control & 0xffc0) + 64 * (shift / 16) : 0x100;
    const bytes = this.memory.slice(at, at + (part & LENGTH));
    if (control & DOUBLE) this.half ^= 1;
    this.done(endpoint, false, word & ~((AVAILABLE | FULL | SELECT_FIRST) << shift));
    return bytes;
  }

  /** One packet to the board; undefined while it has no buffer for it, 'stall' when it refuses. */
  packetOut(endpoint, bytes) {
    const word = this.word(endpoint, true);
    if (endpoint === 0 && word & STALL && this.usb.epStallArm & 2) return 'stall';
    if (!(word & AVAILABLE)) return undefined;
    if (bytes.length > (word & LENGTH)) throw new Problem(`endpoint ${endpoint}: more than there is room for`);
    this.checkToggle(endpoint, true, word);
    const at = endpoint ? this.view.getUint32(8 * endpoint + 4, true) & 0xffc0 : 0x100;
    this.memory.set(bytes, at);
    this.done(endpoint, true, ((word & ~(AVAILABLE | LENGTH)) | FULL | bytes.length) >>> 0);
    return true;
  }

  setup(type, request, value, index, length) {
    this.memory.set([type, request, value & 255, value >> 8, index & 255, index >> 8, length & 255, length >> 8]);
    this.toggles.set(0, 1);
    this.toggles.set(1, 1);
    this.usb.epStallArm = 0;
    this.usb.sieStatus |= SETUP_RECEIVED;
    this.usb.sieStatusUpdated();
    return true;
  }

  openLine() {
    this.toggles.set(4, 0);
    this.toggles.set(5, 0);
    this.lineOpen = true;
    return true;
  }

  takeFromBoard() {
    const bytes = this.packetIn(2);
    if (bytes) this.port.take(bytes);
  }

  sendToBoard() {
    const bytes = this.port.next(64);
    if (!bytes.length || !(this.word(2, true) & AVAILABLE)) return false;
    this.port.taken(bytes.length);
    return this.packetOut(2, bytes);
  }
}

/** A control transfer as the computer makes it; yields steps that the bus repeats until they are done. */
export function* transfer(bus, type, request, value, index, length, data) {
  yield () => bus.setup(type, request, value, index, data ? data.length : length);
  const got = [];
  if (type & 0x80) {
    let packet;
    do {
      packet = yield () => bus.packetIn(0);
      if (packet === 'stall') return null;
      got.push(...packet);
    } while (packet.length === 64 && got.length < length);
    bus.toggles.set(1, 1);
    yield () => bus.packetOut(0, []);
    return Uint8Array.from(got);
  }
  if (data && (yield () => bus.packetOut(0, data)) === 'stall') return null;
  bus.toggles.set(0, 1);
  const packet = yield () => bus.packetIn(0);
  if (packet === 'stall') return null;
  if (packet.length) throw new Problem('a transfer to the board must end with an empty packet');
  return Uint8Array.of();
}
