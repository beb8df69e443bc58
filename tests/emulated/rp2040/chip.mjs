// The emulated RP2040, mended where the emulator differs from the chip, its flash filled from a UF2 file.
//
// Faults of rp2040js 1.4.1 that are worked around here, each of which the firmware would run into:
//  - ADC round robin: the setter of the active input masks with a shift, so only input 0 is ever converted;
//  - ADC: a conversion that was due when free running was switched off still begins after it is switched on again;
//  - DMA: writing a channel's control register by the alias that does not start it (AL1_CTRL) is ignored;
//  - DMA: reading CHAN_ABORT gives all ones, where the chip gives the channels that are still busy aborting;
//  - USB: double-buffered endpoints are sent in the wrong order: usb_bus.mjs takes the controller's place on the wire;
//  - core: WFI sleeps although an interrupt is pending already, and is woken by the next one only;
//  - flash interface: it knows no commands; here it answers the read of the flash's own number.
import { readFileSync } from 'node:fs';
import { LogLevel, RP2040 } from 'rp2040js';

const FLASH = 0x10000000;
const STAGE_2_AT = 0x20041f00; // where the boot ROM copies the first 256 bytes of the flash to
const STAGE_2_LENGTH = 256;
const CONVERSION_NS = 2000;
const CONVERTER_MHZ = 48;
const CONVERSION_CLOCKS = 96;

export class Problem extends Error {}

class StrictLogger {
  constructor(onProblem) {
    this.currentLogLevel = LogLevel.Warn;
    this.debug = this.info = () => {};
    this.warn = this.error = (component, message) => onProblem(`${component}: ${message}`);
  }
}

/** Write the blocks of a UF2 file, as its public format lays down, into the flash. */
export function loadUf2(path, flash) {
  const file = readFileSync(path);
  for (let at = 0; at < file.length; at += 512) {
    const word = (offset) => file.readUInt32LE(at + offset);
    if (word(0) !== 0x0a324655 || word(4) !== 0x9e5d5157 || word(508) !== 0x0ab16f30) throw new Problem('not a UF2 block');
    if (word(8) !== 0x2000 || word(28) !== 0xe48bff56) throw new Problem('not for this chip');
    if (word(20) !== at / 512 || word(24) !== file.length / 512) throw new Problem('blocks out of order');
    if (word(16) !== 256) throw new Problem('a block of another size than the boot ROM takes');
    flash.set(file.subarray(at + 32, at + 32 + word(16)), word(12) - FLASH);
  }
}

/** CRC-32 as the boot ROM computes it over the second stage: polynomial 0x04C11DB7, from all ones, not reflected. */
function bootChecksum(bytes) {
  let crc = 0xffffffff;
  for (const byte of bytes) {
    crc = (crc ^ (byte << 24)) >>> 0;
    for (let bit = 0; bit < 8; bit++) crc = ((crc << 1) ^ (crc & 0x80000000 ? 0x04c11db7 : 0)) >>> 0;
  }
  return crc;
}

/** What the boot ROM does after power-up: check the second stage, copy it to memory, call it. */
export function boot(chip) {
  const stage2 = chip.flash.slice(0, STAGE_2_LENGTH);
  const view = new DataView(stage2.buffer);
  if (bootChecksum(stage2.subarray(0, 252)) !== view.getUint32(252, true)) throw new Problem('second stage: wrong checksum');
  chip.sram.set(stage2, STAGE_2_AT - 0x20000000);
  chip.core.SP = STAGE_2_AT;
  chip.core.LR = 0;
  chip.core.PC = STAGE_2_AT;
}

/** The serial flash behind its interface: one command of 13 bytes, answered with the flash's number. */
class FlashInterface {
  constructor(id) {
    this.answer = [0, 0, 0, 0, 0, ...id];
    this.registers = new Map();
    this.sent = [];
    this.received = [];
  }
  writeUint32Atomic(offset, value) {
    this.registers.set(offset, value);
    if (offset === 0x08 && value === 0) this.sent = [];
    if (offset === 0x60) this.sent.push(value);
    if (offset === 0x10 && value === 1 && this.sent[0] === 0x4b && this.sent.length === this.answer.length)
      this.received = [...this.answer];
  }
  readUint32(offset) {
    if (offset === 0x24) return this.received.length;
    if (offset === 0x60) return this.received.shift() ?? 0;
    return this.registers.get(offset) ?? 0;
  }
}

function mendConverter(chip, code, onBegin) {
  const { adc, clock } = chip;
  let beganNs = 0;
  Object.defineProperty(adc, 'activeChannel', {
    get() { return (this.cs >> 12) & 7; },
    set(channel) { this.cs = (this.cs & ~(7 << 12)) | ((channel & 7) << 12); },
  });
  const write = adc.writeUint32.bind(adc);
  adc.writeUint32 = (offset, value) => {
    if (offset === 0 && !(value & 8)) adc.multiShotAlarm.cancel();
    if (offset === 0 && value & 8 && !(adc.cs & 8)) {
      beganNs = clock.nanos;
      onBegin();
    }
    write(offset, value);
  };
  adc.onADCRead = (channel) => {
    const periodNs = (Math.max(adc.divider, CONVERSION_CLOCKS) * 1000) / CONVERTER_MHZ;
    adc.currentChannel = channel;
    adc.channelValues[channel] = code(channel, (Math.round((clock.nanos - beganNs) / periodNs) * periodNs) / 1e9);
    adc.sampleAlarm.schedule(CONVERSION_NS);
  };
}

function mendDma(chip) {
  for (const channel of chip.dma.channels) {
    const write = channel.writeUint32.bind(channel);
    channel.writeUint32 = (offset, value) => {
      if (offset !== 0x10) return write(offset, value);
      channel.start = () => {};
      write(0x0c, value);
      delete channel.start;
    };
  }
  const read = chip.dma.readUint32.bind(chip.dma);
  chip.dma.readUint32 = (offset) => (offset === 0x444 ? 0 : read(offset));
}

/**
 * A chip with the firmware in its flash, about to run its second stage.
 * `code(input, seconds)`: what the converter gives for an input at a time after sampling began.
 * `onProblem(text)`: whatever the emulator finds odd. `onBegin()`: sampling begins.
 */
export function makeChip(uf2, flashId, code, onProblem, onBegin = () => {}) {
  const chip = new RP2040();
  chip.logger = new StrictLogger(onProblem);
  chip.peripherals[0x18000] = new FlashInterface(flashId);
  chip.peripherals[0x40058].onWatchdogTrigger = () => onProblem('the firmware started itself anew');
  mendConverter(chip, code, onBegin);
  mendDma(chip);
  loadUf2(uf2, chip.flash);
  boot(chip);
  return chip;
}

/** Run until `untilNs` of emulated time. */
export function run(chip, untilNs) {
  const { clock, core } = chip;
  while (clock.nanosCounter < untilNs) {
    if (core.waiting && core.pendingInterrupts & core.enabledInterrupts) core.waiting = false;
    if (core.waiting) {
      const next = clock.nextAlarm ? clock.nextAlarm.nanos : untilNs;
      clock.tick(Math.max(0, Math.min(next, untilNs) - clock.nanosCounter));
    } else {
      const at = clock.nanosCounter + core.executeInstruction() * (1e9 / chip.clkSys);
      if (clock.nextAlarm && clock.nextAlarm.nanos <= at) clock.tick(at - clock.nanosCounter);
      else clock.nanosCounter = at;
    }
  }
}
