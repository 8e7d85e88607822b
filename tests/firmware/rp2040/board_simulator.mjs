#!/usr/bin/env node
// Runs the reference firmware on a simulated RP2040, in lock-step with whoever drives it through standard input and
// output. It is rp2040js (MIT, from npm; its licence is in its package) that executes the instructions; what that leaves
// out or keeps no time of is here: serial line, flash, power-up, the boot ROM's part of the start, state machines in step
// with the processor, and the time that taking an interrupt needs.
//
// Nothing here reads a clock. Times are sixteenths of a microsecond, as with the other board's simulator, of which
// a third is one cycle of the chip.
//
// Usage: node board_simulator.mjs FIRMWARE.uf2|FIRMWARE.bin BAUD
//
// The commands are those of ../simulator/board_simulator.c, with these differences: edges may be at thirds of a
// sixteenth; no `wire`; `peek`, `poke` and `stuck` take addresses in RAM; `flash` counts from the flash's start; `eeprom`
// and `eeprom_peek` are the three sectors that the firmware keeps things in; `hang` says where in the flash it is; `reset`
// takes 1 power-on, 2 reset pin, 4 brown-out, 8 watchdog. `brake` tells for how many cycles, of how many, the brake's driver is
// on, and whether it is turned round; `brake_supply 0` opens the switch of its supply; `steps` tells how many steps a stepper was
// told since the last time, up less down; `brake_end 1` closes the switch at its closed end.
import { readFileSync, writeSync } from "node:fs";
import { createInterface } from "node:readline";
import { FIFO } from "./node_modules/rp2040js/dist/esm/utils/fifo.js";
import { LogLevel, RP2040 } from "rp2040js";

const CYCLES_PER_UNIT = 3;
const CLOCK_HZ = 48_000_000;
const NANOS_PER_CYCLE = 1e9 / CLOCK_HZ;
const INTERRUPT_ENTRY_CYCLES = 15; // ARM Cortex-M0+ Technical Reference Manual, 3.9
const INTERRUPT_EXIT_CYCLES = 13; // from memory
const RAM = 0x20000000;
const STACK_TOP = 0x20042000;
const STORAGE = 0x1fd000;
const STORAGE_BYTES = 3 * 4096;
const PICKUP_PINS = [2, 3];
const [CELL_DATA, CELL_CLOCK, RUN, SELECT] = [6, 7, 14, 17];
const [BRAKE, BRAKE_BACK, BRAKE_SUPPLY, BRAKE_END] = [10, 11, 12, 13];
const BRAKE_SLICE = 5;
const BRANCH_TO_ITSELF = 0xe7fe;
const QUEUE_BYTES = 32;
const PULSE = 64 * CYCLES_PER_UNIT;

function fail(message) {
  writeSync(1, `error ${message}\n`);
  process.exit(1);
}

const units = (cycles) => Math.floor(cycles / CYCLES_PER_UNIT);
const hex = (bytes) => Buffer.from(bytes).toString("hex");

// A block of registers that only keeps what is written to it.
class Registers {
  constructor(values = {}) {
    this.values = values;
  }
  readUint32(offset) {
    return (this.values[offset & 0xfff] ?? 0) >>> 0;
  }
  writeUint32Atomic(offset, value, kind) {
    // A plain write reads nothing: reading may take a byte from a queue.
    const before = kind ? this.readUint32(offset) : 0;
    this.written(offset, [value, before ^ value, before | value, before & ~value][kind] >>> 0);
  }
  written(offset, value) {
    this.values[offset] = value;
  }
}

// The serial line (PL011): queues of 32 bytes both ways, each byte as long as its divisor says.
class Serial extends Registers {
  constructor(board) {
    super();
    this.board = board;
    this.out = [];
    this.in = [];
    this.byteEnd = Infinity;
    this.line = [];
  }
  get byteCycles() {
    return Math.round(10 * 16 * ((this.values[0x24] ?? 0) + (this.values[0x28] ?? 0) / 64));
  }
  readUint32(offset) {
    if (offset === 0x00) return this.in.shift() ?? 0;
    if (offset === 0x18) return (this.out.length >= QUEUE_BYTES ? 0x20 : 0) | (this.in.length ? 0 : 0x10);
    return super.readUint32(offset);
  }
  written(offset, value) {
    if (offset !== 0x00) return super.written(offset, value);
    const off = this.byteCycles / this.board.hostByteCycles - 1;
    if (Math.abs(off) > 0.03) fail(`the serial line is ${(100 * off).toFixed(1)} % off its rate`);
    if (this.values[0x30] !== 0x301 || this.values[0x2c] !== 0x70) fail("the serial line is not set to 8N1 both ways");
    if (this.out.length >= QUEUE_BYTES) fail("a byte written to a full queue");
    this.out.push(value & 0xff);
    if (this.byteEnd === Infinity) this.next(this.board.cycle);
  }
  next(cycle) {
    this.byteEnd = this.out.length ? cycle + this.byteCycles : Infinity;
    this.board.schedule(this.byteEnd);
  }
  // At the end of a byte.
  sent() {
    const byte = this.out.shift();
    this.line.push(byte);
    const at = this.byteEnd;
    if (byte === 0 || this.line.length === 512) this.print(at);
    this.next(at);
  }
  print(at) {
    if (this.line.length) this.board.say(`sent ${units(at)} ${hex(this.line)}`);
    this.line = [];
  }
  received(byte) {
    if (this.in.length < QUEUE_BYTES) this.in.push(byte);
    this.board.extremes.receive_waiting_max = Math.max(this.board.extremes.receive_waiting_max, this.in.length);
  }
}

// A serial NOR flash behind the SSI: the commands that every one has, when it is not read as memory.
class Flash extends Registers {
  constructor(board) {
    super();
    this.board = board;
    this.selected = false;
    this.answers = [];
    this.busyUntil = 0;
  }
  select(on) {
    if (this.selected && !on) this.execute();
    this.selected = on;
    this.command = [];
  }
  readUint32(offset) {
    if (offset === 0x28) return 0x06 | (this.answers.length ? 0x08 : 0);
    if (offset === 0x60) return this.answers.shift() ?? 0;
    return super.readUint32(offset);
  }
  written(offset, value) {
    if (offset !== 0x60) return super.written(offset, value);
    if (!this.selected || this.values[0x00] !== 7 << 16 || !this.values[0x08]) fail("a flash command without its select or mode");
    const isStatus = this.command[0] === 0x05;
    this.command.push(value & 0xff);
    this.answers.push(isStatus && this.board.cycle < this.busyUntil ? 0x01 : 0);
  }
  execute() {
    const [code, ...rest] = this.command;
    const at = (rest[0] << 16) | (rest[1] << 8) | rest[2];
    const { flash } = this.board.chip;
    if (code === 0x05) return;
    if (this.board.cycle < this.busyUntil) fail("a command while the flash is busy");
    if (code === 0x06) {
      this.writable = true;
      return;
    }
    if (!this.writable) fail(`flash command ${code} without write enable`);
    this.writable = false;
    if (code === 0x20) {
      flash.fill(0xff, at & ~0xfff, (at & ~0xfff) + 4096);
      this.busyUntil = this.board.cycle + 0.05 * CLOCK_HZ;
    } else if (code === 0x02) {
      // A page of 256 bytes wraps, and bits only go to 0.
      rest.slice(3).forEach((byte, n) => (flash[(at & ~0xff) | ((at + n) & 0xff)] &= byte));
      this.busyUntil = this.board.cycle + 0.0004 * CLOCK_HZ;
    } else {
      fail(`flash command ${code}`);
    }
  }
  // As the data sheet has it for reading with command 0x03 (4.10.13).
  readsAsMemory() {
    const { values } = this;
    return values[0x08] === 1 && values[0x00] === ((31 << 16) | (3 << 8)) && values[0xf4] === ((3 << 24) | (2 << 8) | (6 << 2));
  }
}

// The slices that switch outputs. Only what is set, not each edge: a comparison counts from the period on that begins next.
class Slices extends Registers {
  constructor(board) {
    super();
    this.board = board;
    this.compared = [];
  }
  get(slice, offset) {
    return this.values[0x14 * slice + offset] ?? 0;
  }
  period(slice) {
    return ((this.get(slice, 0x04) >> 4) || 256) * (this.get(slice, 0x10) + 1);
  }
  written(offset, value) {
    super.written(offset, value);
    const slice = Math.floor(offset / 0x14);
    if (offset - 0x14 * slice !== 0x0c) return;
    const { cycle } = this.board;
    const before = this.high(slice);
    const period = this.period(slice);
    this.compared[slice] = { before, from: Math.ceil((cycle + 1) / period) * period };
  }
  // Counts for which the first output is high, of so many.
  high(slice) {
    const { before, from } = this.compared[slice] ?? { before: 0, from: 0 };
    return this.board.cycle < from ? before : this.get(slice, 0x0c) & 0xffff;
  }
  // Cycles for which it is high, and of a period.
  output(slice) {
    if (!(this.get(slice, 0) & 1)) return [0, 1];
    const period = this.period(slice);
    return [(this.high(slice) * period) / (this.get(slice, 0x10) + 1), period];
  }
}

// A state machine with the time it is at. It lags behind the processor while nothing but time passes: whole turns of a
// loop that only counts are taken at once.
class Machine {
  constructor(machine, board) {
    this.machine = machine;
    this.board = board;
    this.at = board.cycle;
    this.disturb();
  }
  disturb() {
    this.turn = 0;
    this.trace = [];
  }
  step() {
    const { machine, trace } = this;
    machine.step();
    this.at++;
    trace.push([machine.pc, machine.x, machine.y, machine.inputShiftReg, machine.outputShiftReg, machine.inputShiftCount]);
    if (machine.waiting) return;
    for (let turn = 1; turn <= 8 && turn < trace.length; turn++) {
      const [now, before] = [trace.at(-1), trace.at(-1 - turn)];
      if (now.every((value, n) => value === before[n] - (n === 1 ? 1 : 0))) {
        this.turn = turn;
        return;
      }
    }
    if (trace.length > 16) trace.shift();
  }
  // Steps until it only counts, or until then.
  follow(until) {
    while (this.turn === 0 && this.at < until) this.step();
  }
  catchUp(until) {
    this.follow(until);
    if (this.turn) {
      const turns = Math.min(Math.floor((until - this.at) / this.turn), this.machine.x - 1);
      if (turns > 0 && !process.env.EVERY_CYCLE) {
        this.machine.x = (this.machine.x - turns) >>> 0;
        this.at += turns * this.turn;
      }
    }
    while (this.at < until) this.step();
  }
}

class Board {
  constructor(image, baud) {
    this.answer = "";
    this.hostByteCycles = (10 * CLOCK_HZ) / baud;
    this.cycle = 0;
    this.edges = PICKUP_PINS.map(() => ({ due: [], first: 0, pulseEnd: Infinity }));
    this.incoming = { due: [], first: 0 };
    this.force = { counts: 0, step: 0, period: CLOCK_HZ / 80, next: CLOCK_HZ / 80, pulses: 0, grounded: false };
    this.thermocouple = 0;
    this.millivolts = [0, 0, 0, 0];
    this.supply = 3300;
    this.hasSupply = true;
    this.isAtEnd = false;
    this.stuck = null;
    this.runLevel = false;
    this.nextEvent = 0;
    this.flashBytes = new Uint8Array(2 << 20).fill(0xff);
    this.flashBytes.set(image);
    this.clearExtremes();
    this.start(1);
  }

  say(line) {
    this.answer += `${line}\n`;
  }

  clearExtremes() {
    this.extremes = { loop_cycles_max: 0, receive_waiting_max: 0, stack_bytes_max: 0, clock_high_max: 0 };
    this.fed = null;
  }

  schedule(cycle) {
    if (cycle < this.nextEvent) this.nextEvent = cycle;
  }

  // ---- Start -----------------------------------------------------------------------------------

  start(flags) {
    if (this.chip) this.flashBytes.set(this.chip.flash.subarray(0, this.flashBytes.length));
    const ram = this.chip?.sram;
    this.base = this.cycle;
    const chip = (this.chip = new RP2040());
    const { core } = chip;
    chip.logger = {
      debug() {},
      info() {},
      warn: (name, message) => fail(`${name}: ${message}`),
      error: (name, message) => fail(`${name}: ${message}`),
    };
    chip.flash.set(this.flashBytes);
    if (ram && !(flags & 1)) chip.sram.set(ram);
    else chip.sram.fill(0x5a);
    this.serial = new Serial(this);
    this.flash = new Flash(this);
    this.slices = new Slices(this);
    const select = new Registers();
    select.written = (offset, value) => {
      select.values[offset] = value;
      if (offset === 0x0c) this.flash.select(((value >> 8) & 3) === 2);
    };
    if (flags & 7) this.resetReason = flags & 2 ? 1 << 16 : 1 << 8;
    Object.assign(chip.peripherals, {
      0x18000: this.flash,
      0x40018: select,
      0x40034: this.serial,
      0x40050: this.slices,
      0x40064: new Registers({ 8: this.resetReason }),
    });
    const watchdog = chip.peripherals[0x40058];
    watchdog.reason = flags & 8 ? 1 : 0;
    watchdog.onWatchdogTrigger = () => (this.resetFlags = 8);
    const write = watchdog.writeUint32.bind(watchdog);
    watchdog.writeUint32 = (offset, value) => {
      if (offset === 4) this.watchdogFed();
      write(offset, value);
    };
    // The block's power-on state machine: it starts the rest, and the watchdog may reset it.
    chip.peripherals[0x40010] = new Registers();
    this.machines = [];
    const pio = chip.pio[0];
    pio.run = () => {};
    const writePio = pio.writeUint32.bind(pio);
    pio.writeUint32 = (offset, value) => {
      for (const machine of this.machines) machine.catchUp(this.cycle);
      writePio(offset, value);
      if (offset === 0) {
        for (const machine of pio.machines) if (machine.shiftCtrl >>> 31) machine.rxFIFO = new FIFO(8);
        this.machines = pio.machines.filter((machine) => machine.enabled).map((machine) => new Machine(machine, this));
      }
      for (const machine of this.machines) machine.disturb();
    };
    chip.gpio[RUN].addListener(() => this.runPinChanged());
    this.steps = 0;
    this.stepHigh = false;
    this.stepChanged = -Infinity;
    chip.gpio[BRAKE].addListener(() => this.brakePinChanged());
    chip.gpio[CELL_CLOCK].addListener(() => this.cellClockChanged());
    const spi = chip.spi[0];
    const answer = chip.clock.createAlarm(() => spi.completeTransmit(this.thermocoupleByte()));
    spi.onTransmit = () => answer.schedule(8000);
    this.spiBytes = 0;
    const adc = chip.adc;
    adc.onADCRead = (channel) => {
      // 0.706 V at 27 degrees Celsius (data sheet, 4.9.5).
      const millivolts = channel === 4 ? 706 : this.millivolts[channel];
      adc.channelValues[channel] = Math.min(4095, Math.floor((millivolts * 4096) / this.supply));
      adc.currentChannel = channel;
      adc.sampleAlarm.schedule(2000);
    };
    const enter = core.exceptionEntry.bind(core);
    core.exceptionEntry = (number) => {
      enter(number);
      core.cycles += INTERRUPT_ENTRY_CYCLES;
    };
    const leave = core.exceptionReturn.bind(core);
    core.exceptionReturn = (value) => {
      leave(value);
      core.cycles += INTERRUPT_EXIT_CYCLES;
    };
    this.bootRom(chip, core);
    this.setPin(CELL_DATA, true);
    this.setPin(BRAKE_SUPPLY, this.hasSupply);
    this.setPin(BRAKE_END, !this.isAtEnd);
    if (this.runLevel) this.runPin(false);
    this.resetFlags = 0;
    this.fed = null;
    this.nextEvent = 0;
    this.say(`reset ${units(this.cycle)}`);
  }

  // What the chip's own program does (data sheet, 2.8.1): the second stage, if its CRC is right.
  bootRom(chip, core) {
    const stage = chip.flash.subarray(0, 256);
    let crc = 0xffffffff;
    for (const byte of stage.subarray(0, 252)) {
      crc ^= byte << 24;
      for (let bit = 0; bit < 8; bit++) crc = crc & 0x80000000 ? (crc << 1) ^ 0x04c11db7 : crc << 1;
    }
    this.started = crc >>> 0 === new DataView(stage.buffer, stage.byteOffset).getUint32(252, true);
    if (!this.started) return;
    chip.sram.set(stage, 0x41f00);
    core.SP = STACK_TOP - 256;
    core.PC = RAM + 0x41f00;
    core.cycles = 0;
  }

  // ---- Pins ------------------------------------------------------------------------------------

  setPin(number, level) {
    this.chip.gpio[number].setInputValue(level);
  }

  runPin(level) {
    this.runLevel = level;
    this.say(`run_pin ${units(this.cycle)} ${Number(level)}`);
  }

  runPinChanged() {
    const pin = this.chip.gpio[RUN];
    const level = pin.outputEnable && pin.outputValue;
    // The pad shows what it drives.
    this.setPin(RUN, level);
    if (level !== this.runLevel) this.runPin(level);
  }

  brakePinChanged() {
    const [pin, back] = [this.chip.gpio[BRAKE], this.chip.gpio[BRAKE_BACK]];
    if (pin.functionSelect !== 5) return;
    const high = pin.outputEnable && pin.outputValue;
    if (high && !this.stepHigh) {
      this.steps += back.outputEnable && back.outputValue ? 1 : -1;
      // Common drivers want 2 us, and as long between two.
      if (this.cycle - this.stepChanged < 2 * CYCLES_PER_UNIT * 16) fail("a step right after another");
    } else if (!high && this.stepHigh && this.cycle - this.stepChanged < 2 * CYCLES_PER_UNIT * 16) fail("a step too short for a driver");
    if (high !== this.stepHigh) this.stepChanged = this.cycle;
    this.stepHigh = high;
  }

  cellClockChanged() {
    const pin = this.chip.gpio[CELL_CLOCK];
    const high = pin.outputEnable && pin.outputValue;
    const { force, extremes } = this;
    if (!high) {
      if (force.since !== undefined) extremes.clock_high_max = Math.max(extremes.clock_high_max, units(this.cycle - force.since));
      return;
    }
    force.since = this.cycle;
    force.pulses++;
    const bit = force.pulses > 24 || (force.counts >> (24 - force.pulses)) & 1;
    this.setPin(CELL_DATA, Boolean(bit) && !force.grounded);
  }

  thermocoupleByte() {
    const pin = this.chip.gpio[SELECT];
    if (!pin.outputEnable || pin.outputValue) return 0xff;
    return (this.thermocouple >>> (24 - 8 * (this.spiBytes++ % 4))) & 0xff;
  }

  watchdogFed() {
    if (this.fed !== null) this.extremes.loop_cycles_max = Math.max(this.extremes.loop_cycles_max, units(this.cycle - this.fed));
    this.fed = this.cycle;
  }

  pickup(which, level, cycle) {
    for (const machine of this.machines) machine.catchUp(cycle);
    this.setPin(PICKUP_PINS[which], level);
    for (const machine of this.machines) machine.disturb();
  }

  // Everything that is due by now, in order; gives when the next is.
  events() {
    for (;;) {
      let at = Infinity;
      let act = null;
      const consider = (due, what) => {
        if (due < at) [at, act] = [due, what];
      };
      this.edges.forEach((queue, which) => {
        consider(queue.pulseEnd, () => {
          queue.pulseEnd = Infinity;
          this.pickup(which, false, at);
        });
        if (queue.pulseEnd === Infinity && queue.first < queue.due.length) consider(queue.due[queue.first], () => this.edge(queue, which, at));
      });
      consider(this.serial.byteEnd, () => this.serial.sent());
      if (this.incoming.first < this.incoming.due.length) {
        consider(this.incoming.due[this.incoming.first][0], () => this.serial.received(this.incoming.due[this.incoming.first++][1]));
      }
      if (this.force.period) consider(this.force.next, () => this.converted(at));
      if (at > this.cycle) {
        this.nextEvent = at;
        return;
      }
      act();
    }
  }

  edge(queue, which, at) {
    const exact = at / CYCLES_PER_UNIT;
    this.say(`edge ${which} ${Number.isInteger(exact) ? exact : exact.toFixed(4)}`);
    const next = queue.due[++queue.first] ?? Infinity;
    queue.pulseEnd = at + Math.min(PULSE, Math.floor((next - at) / 2));
    this.pickup(which, true, at);
  }

  converted(at) {
    const { force } = this;
    force.next += force.period;
    force.counts += force.step;
    force.pulses = 0;
    this.say(`converted ${units(at)} ${force.counts}`);
    this.setPin(CELL_DATA, false);
  }

  // ---- Time ------------------------------------------------------------------------------------

  // The chip's clock follows the cycles.
  setClock() {
    const { clock } = this.chip;
    const nanos = (this.cycle - this.base) * NANOS_PER_CYCLE;
    for (let alarm; !this.resetFlags && (alarm = clock.nextAlarm) && alarm.nanos <= nanos; alarm.callback()) {
      clock.nextAlarm = alarm.next;
      clock.nanosCounter = alarm.nanos;
    }
    clock.nanosCounter = nanos;
  }

  // After some cycles: what was due in them.
  arrive() {
    const { core, clock } = this.chip;
    const nanos = (this.cycle - this.base) * NANOS_PER_CYCLE;
    if (clock.nextAlarm && clock.nextAlarm.nanos <= nanos) this.setClock();
    else clock.nanosCounter = nanos;
    if (this.cycle >= this.nextEvent) this.events();
    for (const machine of this.machines) if (machine.turn === 0) machine.follow(this.cycle);
    // The library's system timer does not wake a sleeping processor.
    if (core.waiting && core.interruptsUpdated && core.checkForInterrupts()) core.waiting = false;
    if (this.resetFlags) this.start(this.resetFlags);
  }

  sleep(until) {
    // To whatever comes next, one cycle at a time while a state machine does more than count.
    const { nextAlarm } = this.chip.clock;
    const alarm = nextAlarm ? this.base + Math.ceil(nextAlarm.nanos / NANOS_PER_CYCLE) : Infinity;
    const busy = this.machines.some((machine) => machine.turn === 0);
    const next = busy ? this.cycle + 1 : Math.min(until, this.nextEvent, alarm);
    this.cycle = Math.max(this.cycle + 1, next);
  }

  execute(core) {
    const before = core.cycles;
    if (core.registers[15] >>> 28 === 1 && !this.flash.readsAsMemory()) fail("the program runs in flash that cannot be read as memory");
    core.executeInstruction();
    this.cycle += core.cycles - before;
    const stack = STACK_TOP - core.registers[13];
    if (stack > this.extremes.stack_bytes_max) this.extremes.stack_bytes_max = stack;
    if (this.stuck) this.chip.sram[this.stuck.at] &= this.stuck.mask;
  }

  run(until) {
    while (this.cycle < until) {
      const { core } = this.chip;
      if (!this.started) this.cycle = until;
      else if (core.waiting) this.sleep(until);
      else this.execute(core);
      this.arrive();
    }
  }

  // ---- Commands --------------------------------------------------------------------------------

  hang(interruptsOn) {
    const { core } = this.chip;
    while (core.waiting || core.IPSR || core.PM || core.PC >>> 28 !== 2) this.run(this.cycle + 1);
    const { chip } = this;
    const at = core.PC - RAM;
    const around = chip.sram.subarray(at - 16, at + 16);
    const inFlash = Buffer.from(chip.flash.buffer, 0, 1 << 20).indexOf(Buffer.from(around));
    if (inFlash < 0) fail("the program in RAM is not that in flash");
    this.say(`hung ${inFlash + 16}`);
    chip.sramView.setUint16(at, BRANCH_TO_ITSELF, true);
    chip.flashView.setUint16(inFlash + 16, BRANCH_TO_ITSELF, true);
    if (!interruptsOn) core.PM = true;
  }

  ram(address, count) {
    const at = address - RAM;
    if (!(at >= 0 && at + count <= this.chip.sram.length)) fail(`address ${address}: not in RAM`);
    return at;
  }

  command(name, words) {
    const number = (n) => {
      const value = Number(words[n]);
      if (words[n] === undefined || Number.isNaN(value)) fail(`${name}: ${words[n]} is no number`);
      return value;
    };
    const bytes = (n) => Buffer.from(words[n] ?? "", "hex");
    const { chip } = this;
    switch (name) {
      case "run":
        this.run(Math.round(number(0) * CYCLES_PER_UNIT));
        this.serial.print(this.serial.byteEnd === Infinity ? this.cycle : this.serial.byteEnd);
        break;
      case "edges": {
        const queue = this.edges[number(0)];
        for (const word of words.slice(1)) queue.due.push(Math.round(Number(word) * CYCLES_PER_UNIT));
        this.nextEvent = 0;
        break;
      }
      case "receive": {
        const { due } = this.incoming;
        const last = due.length ? due.at(-1)[0] : 0;
        let at = Math.max(number(0) * CYCLES_PER_UNIT, last);
        for (const byte of bytes(1)) due.push([(at += this.hostByteCycles), byte]);
        this.nextEvent = 0;
        break;
      }
      case "force":
        this.force.counts = number(0);
        this.force.step = words[1] === undefined ? 0 : number(1);
        break;
      case "cell_period":
        this.force.period = number(0) * CYCLES_PER_UNIT;
        this.force.next = this.cycle + this.force.period;
        this.setPin(CELL_DATA, true);
        break;
      case "cell_grounded":
        this.force.grounded = number(0) === 1;
        this.setPin(CELL_DATA, !this.force.grounded);
        break;
      case "thermocouple":
        this.thermocouple = parseInt(words[0], 16);
        break;
      case "analog":
        this.millivolts[number(0)] = number(1);
        break;
      case "brake": {
        const [pin, back] = [chip.gpio[BRAKE], chip.gpio[BRAKE_BACK]];
        const [high, period] = pin.functionSelect === 4 ? this.slices.output(BRAKE_SLICE) : [0, 1];
        this.say(`brake ${high} ${period} ${Number(back.outputEnable && back.outputValue)}`);
        break;
      }
      case "brake_supply":
        this.hasSupply = number(0) === 1;
        this.setPin(BRAKE_SUPPLY, this.hasSupply);
        break;
      case "steps":
        this.say(`steps ${this.steps}`);
        this.steps = 0;
        break;
      case "brake_end":
        this.isAtEnd = number(0) === 1;
        this.setPin(BRAKE_END, !this.isAtEnd);
        break;
      case "supply":
        this.supply = number(0);
        break;
      case "peek":
        this.say(`bytes ${hex(chip.sram.subarray(this.ram(number(0), number(1)), this.ram(number(0), 0) + number(1)))}`);
        break;
      case "poke":
        chip.sram.set(bytes(1), this.ram(number(0), bytes(1).length));
        break;
      case "stuck":
        this.stuck = { at: this.ram(number(0), 1), mask: number(1) };
        break;
      case "flash":
        chip.flash.set(bytes(1), number(0));
        break;
      case "eeprom":
        if (number(0) + bytes(1).length > STORAGE_BYTES) fail("beyond the three sectors");
        chip.flash.set(bytes(1), STORAGE + number(0));
        break;
      case "eeprom_peek":
        this.say(`bytes ${hex(chip.flash.subarray(STORAGE + number(0), STORAGE + number(0) + number(1)))}`);
        break;
      case "hang":
        this.hang(number(0) === 1);
        break;
      case "reset":
        this.start(number(0));
        break;
      case "measures":
        for (const [what, value] of Object.entries(this.extremes)) this.say(`${what} ${value}`);
        this.clearExtremes();
        break;
      default:
        fail(`unknown command ${name}`);
    }
  }
}

// A .uf2 as the boot ROM takes it, block by block; anything else is the flash's bytes.
function load(path) {
  const file = readFileSync(path);
  if (file.readUInt32LE(0) !== 0x0a324655) return file;
  const image = Buffer.alloc(2 << 20, 0xff);
  for (let at = 0; at < file.length; at += 512) {
    if (file.readUInt32LE(at + 28) !== 0xe48bff56 || file.readUInt32LE(at + 508) !== 0x0ab16f30) fail(`${path}: block ${at / 512} is not one for an RP2040`);
    file.copy(image, file.readUInt32LE(at + 12) - 0x10000000, at + 32, at + 32 + file.readUInt32LE(at + 16));
  }
  return image;
}

const [path, baud] = process.argv.slice(2);
if (!baud) fail("usage: board_simulator.mjs FIRMWARE.uf2|FIRMWARE.bin BAUD");
const board = new Board(load(path), Number(baud));
for await (const line of createInterface({ input: process.stdin })) {
  const [name, ...words] = line.split(" ").filter(Boolean);
  if (!name) continue;
  board.command(name, words);
  writeSync(1, `${board.answer}ok\n`);
  board.answer = "";
}
