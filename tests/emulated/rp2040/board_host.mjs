// The four-channel board on an emulated RP2040, in real time, its USB cable a pseudo terminal.
//
//   node board_host.mjs '{"uf2": ..., "waveform": ..., "rows_a_second": ..., "terminal": 3}'
//
// The waveform holds four 16-bit little-endian values a row, tenths of a millivolt at inputs 1 to 4; the row in force is
// chosen by the time since sampling began. `terminal` is the number of the open master side, non-blocking. Prints what the
// computer learnt of the board when it was plugged in, then READY. The computer takes packets as long as the terminal has
// room, as the system's driver does; STALLED is printed when it had none for STALL_MS of the board's time. Ends with status 3
// and a line that begins with PROBLEM when the firmware does something that real hardware would not put up with.
// `patient`: the board's time stands still while the terminal is full, so that a slow reader of its own makes no loss.
// `events`, each {"at_s": seconds after sampling first began, "what": ...}: `overflow` of the converter's buffer, `halt` cleared on both
// bulk endpoints, `hang_up` by the program, after which QUIET and the number of bytes that still came are printed.
import { readFileSync, readSync, writeSync } from 'node:fs';
import { Problem, makeChip, run } from './chip.mjs';
import { Bus, transfer } from './usb_bus.mjs';

const MILLISECOND = 1e6;
const STALL_MS = 400;
const HELD_BACK = 4096; // bytes the computer's driver keeps when the terminal is full, before it stops asking
const options = JSON.parse(process.argv[2]);

function fail(text) {
  console.log(`PROBLEM ${text}`);
  process.exit(3);
}

function converter(path, rowsASecond) {
  const file = readFileSync(path);
  const values = new Uint16Array(file.buffer, file.byteOffset, file.length / 2);
  const rows = values.length / 4;
  return (input, seconds) => {
    const row = Math.floor(seconds * rowsASecond + 1e-6) % rows;
    return Math.min(4095, Math.floor((values[4 * row + input] * 4096) / 33000));
  };
}

/** The computer's serial port: packets to the terminal and bytes from it. */
class Port {
  constructor(terminal) {
    this.terminal = terminal;
    this.held = Buffer.alloc(0);
    this.typed = Buffer.alloc(0);
    this.room = Buffer.alloc(256);
    this.fullMs = 0;
    this.count = 0;
  }
  wants() { return this.held.length < HELD_BACK; }
  take(bytes) {
    this.count += bytes.length;
    this.held = Buffer.concat([this.held, bytes]);
  }
  next(most) { return this.typed.subarray(0, most); }
  taken(count) { this.typed = this.typed.subarray(count); }
  exchange() {
    try {
      if (this.held.length) this.held = this.held.subarray(writeSync(this.terminal, this.held));
    } catch (error) {
      if (error.code !== 'EAGAIN') throw error;
    }
    this.fullMs = this.wants() ? 0 : this.fullMs + 1;
    if (this.fullMs === STALL_MS) console.log('STALLED');
    if (this.typed.length) return;
    try {
      this.typed = Buffer.from(this.room.subarray(0, readSync(this.terminal, this.room)));
    } catch (error) {
      if (error.code !== 'EAGAIN' && error.code !== 'EIO') throw error; // EIO: nobody has it open
    }
  }
}

function text(bytes) {
  return bytes === null ? null : Buffer.from(bytes).subarray(2).toString('utf16le');
}

/** What a computer does when a board is plugged in, and when a program opens its port. */
function* computer(bus) {
  const ask = (type, index, length) => transfer(bus, 0x80, 6, (type << 8) | index, type === 3 ? 0x0409 : 0, length);
  const begin = yield* ask(1, 0, 64);
  yield* transfer(bus, 0x00, 5, 7, 0, 0); // address 7
  const device = yield* ask(1, 0, 18);
  const head = yield* ask(2, 0, 9);
  const configuration = yield* ask(2, 0, head[2] | (head[3] << 8));
  const identity = {
    address: bus.usb.addrEndp, begin: [...begin], device: [...device], configuration: [...configuration],
    languages: [...(yield* ask(3, 0, 255))], qualifier: yield* ask(6, 0, 10),
    maker: text(yield* ask(3, device[14], 255)), name: text(yield* ask(3, device[15], 255)),
    serial: device[16] ? text(yield* ask(3, device[16], 255)) : '',
  };
  yield* transfer(bus, 0x00, 9, 1, 0, 0);
  bus.openLine();
  identity.chosen = [...(yield* transfer(bus, 0x80, 8, 0, 0, 1))];
  yield* transfer(bus, 0x21, 0x20, 0, 0, 0, [0x00, 0xc2, 0x01, 0x00, 0, 0, 8]);
  identity.coding = [...(yield* transfer(bus, 0xa1, 0x21, 0, 0, 7))];
  yield* transfer(bus, 0x21, 0x22, 3, 0, 0);
  console.log(`IDENTITY ${JSON.stringify(identity)}`);
  console.log('READY');
}

function* clearHalts(bus) {
  for (const endpoint of [0x82, 0x02]) {
    yield* transfer(bus, 0x02, 1, 0, endpoint, 0);
    bus.toggles.set(endpoint & 0x80 ? 4 : 5, 0);
  }
}

function* hangUp(bus) {
  yield* transfer(bus, 0x21, 0x22, 0, 0, 0);
  const before = bus.port.count;
  bus.chip.clock.createAlarm(() => console.log(`QUIET ${bus.port.count - before}`)).schedule(300 * MILLISECOND);
}

function main() {
  const code = converter(options.waveform, options.rows_a_second);
  const events = options.events ?? [];
  const chip = makeChip(options.uf2, options.flash_id, code, fail, () => {
    for (const event of events.splice(0)) chip.clock.createAlarm(() => happen(event.what)).schedule(event.at_s * 1e9);
  });
  const port = new Port(options.terminal);
  const bus = new Bus(chip, port, computer);
  const happen = (what) => {
    if (what === 'overflow') chip.adc.fcs |= 1 << 11;
    else bus.begin(what === 'halt' ? clearHalts(bus) : hangUp(bus));
  };
  const sleeper = new Int32Array(new SharedArrayBuffer(4));
  const parent = process.ppid;
  const beganMs = performance.now();
  for (let turn = 0; turn % 1000 || process.ppid === parent; turn++) {
    port.exchange();
    if (options.patient && port.held.length) {
      Atomics.wait(sleeper, 0, 0, 1);
      continue;
    }
    run(chip, chip.clock.nanos + MILLISECOND);
    const aheadMs = chip.clock.nanos / MILLISECOND - (performance.now() - beganMs);
    if (aheadMs > 1) Atomics.wait(sleeper, 0, 0, aheadMs);
  }
}

try {
  main();
} catch (error) {
  if (!(error instanceof Problem)) throw error;
  fail(error.message);
}
