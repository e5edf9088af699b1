// What surrounds the chip in soak.mjs: monitors, converters and the relay chain, in the chip's time.
// Numbers come from the models in Python (soak.py hands them over); noise and seeded errors are left out.

// A part seen byte by byte: a register pointer, then whole registers.
class Part {
  constructor(sizes, registers) {
    Object.assign(this, { sizes, registers: { ...registers }, pointer: 0, bytes: [], out: [] });
  }
  begin(read) {
    this.bytes = [];
    if (!read) return;
    const value = this.read(this.pointer), n = this.sizes[this.pointer];
    this.out = Array.from({ length: n }, (_, i) => (value >>> (8 * (n - 1 - i))) & 0xff);
  }
  take(byte) {
    this.bytes.push(byte);
    if (this.bytes.length === 1) this.pointer = byte;
    else if (this.bytes.length === 1 + this.sizes[this.pointer])
      this.write(this.pointer, this.bytes.slice(1).reduce((a, x) => (a << 8) | x, 0));
  }
  give() {
    return this.out.length ? this.out.shift() : 0xff;
  }
  read(register) {
    return this.registers[register];
  }
  write(register, value) {
    this.registers[register] = value;
  }
}

const signed16 = (v) => (v & 0x8000 ? v - 0x10000 : v);

// INA228: conversion flag, sticky limit flags of the shunt, alert output. A reading shows at once, an alert
// after the next conversion.
export class Monitor extends Part {
  constructor(clock, ina, moved) {
    super(ina.sizes, ina.reset);
    Object.assign(this, { clock, ina, moved, alertHigh: true, shunt: 0, bus: 0, flags: 0, dueUs: Infinity, onceUs: 0 });
    this.weighing = clock.createAlarm(() => this.weigh());
    this.start();
  }
  get nowUs() {
    return this.clock.nanos / 1000;
  }
  set(shunt, bus) {
    Object.assign(this, { shunt, bus });
    this.later();
  }
  start() {
    const { ADC_CONFIG, times, averages } = this.ina, config = this.registers[ADC_CONFIG], mode = config >> 12;
    this.onceUs = [1, 2, 4].reduce((us, bit, i) => us + (mode & bit ? times[(config >> (9 - 3 * i)) & 7] : 0), 0);
    this.cycleUs = this.onceUs * averages[config & 7];
    this.continuous = mode >= 8;
    this.dueUs = this.onceUs ? this.nowUs + this.cycleUs : Infinity;
    this.later();
  }
  later() {
    if (this.onceUs && !this.weighing.scheduled) this.weighing.schedule(this.onceUs * 1000);
  }
  weigh() {
    const { SOVL, SUVL, SHNTOL, SHNTUL } = this.ina;
    this.weighing.scheduled = false;
    if (this.shunt > signed16(this.registers[SOVL]) * 16) this.flags |= SHNTOL;
    if (this.shunt < signed16(this.registers[SUVL]) * 16) this.flags |= SHNTUL;
    this.drive();
  }
  drive() {
    const high = !this.flags;
    if (high === this.alertHigh) return;
    this.alertHigh = high;
    this.moved();
  }
  read(register) {
    const { VSHUNT, VBUS, DIETEMP, DIAG_ALRT, CNVRF, dieCounts } = this.ina;
    if (register === VSHUNT) return (this.shunt & 0xfffff) << 4;
    if (register === VBUS) return (this.bus & 0xfffff) << 4;
    if (register === DIETEMP) return dieCounts;
    if (register !== DIAG_ALRT) return this.registers[register];
    const done = this.nowUs >= this.dueUs, value = this.registers[register] | this.flags | (done ? CNVRF : 0);
    if (done) this.dueUs = this.continuous ? this.dueUs + (Math.floor((this.nowUs - this.dueUs) / this.cycleUs) + 1) * this.cycleUs : Infinity;
    this.flags = 0;
    this.drive();
    this.later();
    return value;
  }
  write(register, value) {
    const { ADC_CONFIG, DIAG_ALRT, SETTABLE } = this.ina;
    this.registers[register] = register === DIAG_ALRT ? (this.registers[register] & ~SETTABLE) | (value & SETTABLE) : value;
    if (register === ADC_CONFIG) this.start();
    else this.later();
  }
}

// ADS1115, single conversions: the result shows when the conversion has ended.
export class Converter extends Part {
  constructor(clock, ads) {
    super({ 0: 2, 1: 2, 2: 2, 3: 2 }, ads.reset);
    Object.assign(this, { clock, ads, doneNs: 0, coming: 0, begunNs: -Infinity, leastUs: Infinity });
  }
  finish() {
    if (this.clock.nanos >= this.doneNs) this.registers[0] = this.coming & 0xffff;
  }
  read(register) {
    this.finish();
    if (register === 0) this.leastUs = Math.min(this.leastUs, (this.clock.nanos - this.begunNs) / 1000);
    if (register === 1) return (this.registers[1] & 0x7fff) | (this.clock.nanos >= this.doneNs ? 0x8000 : 0);
    return this.registers[register];
  }
  write(register, value) {
    this.finish();
    this.registers[register] = value;
    if (register !== 1 || this.clock.nanos < this.doneNs) return;
    const { volts, ranges, rates, wakeUs } = this.ads;
    this.coming = Math.round(((volts[(value >> 12) & 7] ?? 0) / ranges[(value >> 9) & 7]) * 32768 + Math.random() * 4);
    this.begunNs = this.clock.nanos;
    this.doneNs = this.begunNs + (wakeUs + 1e6 / rates[(value >> 5) & 7]) * 1000;
  }
}

export function bus(mcu, clock, block, byteNs, parts) {
  const hw = mcu.i2c[block];
  let now = null, then = null;
  const alarm = clock.createAlarm(() => { const f = then; then = null; f?.(); });
  const later = (f) => { then = f; alarm.schedule(byteNs); };
  const abort = hw.abort.bind(hw);
  // Silicon raises TX_EMPTY with the flush; without it the driver sees a time-out.
  hw.abort = (reason) => { abort(reason); hw.setInterrupts(1 << 4); };
  hw.onConnect = (address, mode) => {
    now = parts[address];
    now?.begin(mode === 1);
    later(() => hw.completeConnect(!!now));
  };
  hw.onWriteByte = (b) => { now.take(b); later(() => hw.completeWrite(true)); };
  hw.onReadByte = () => { const b = now.give(); later(() => hw.completeRead(b)); };
}

// Charge pump, enable, alert latch, coil and mirror contact, as benchwarden/virtual/coil_drive.py and relays.py.
export class RelayChain {
  constructor(clock, figures, drives) {
    Object.assign(this, { clock, figures, drives, on: false, level: false, alertHigh: true, latched: false });
    Object.assign(this, { gated: false, pulses: 0, lastNs: -Infinity, pumped: false, shows: false, coil: false });
    this.watch = clock.createAlarm(() => this.look());
    this.mirror = clock.createAlarm(() => drives.mirror(!this.coil));
  }
  enable(high) { this.on = high; this.weigh(); }
  pulse(high) { this.level = high; this.gate(); }
  alert(high) { this.alertHigh = high; this.weigh(); }
  weigh() {
    const latched = !this.alertHigh || (this.latched && this.on);
    if (latched !== this.latched) this.drives.latch((this.latched = latched));
    this.gate();
    this.flow();
  }
  gate() {
    const gated = this.level && !this.latched, now = this.clock.nanos;
    if (gated === this.gated) return;
    this.gated = gated;
    if (now - this.lastNs > this.figures.dropOutUs * 1000) this.pulses = 0;
    this.lastNs = now;
    if (gated && ++this.pulses >= this.figures.fillPulses) this.pumped = true;
    if (!this.pumped) return;
    if (!this.shows) this.watch.schedule(this.figures.showsUs * 1000);
    this.shows = true;
    this.flow();
  }
  // Without an edge the sense node falls first, and the pump runs dry later.
  look() {
    const since = (this.clock.nanos - this.lastNs) / 1000, { showsUs, dropOutUs } = this.figures;
    if (since < showsUs) return this.watch.schedule(Math.ceil((showsUs - since) * 1000) + 1);
    this.shows = false;
    if (since < dropOutUs) this.watch.schedule(Math.ceil((dropOutUs - since) * 1000) + 1);
    else { this.pumped = false; this.pulses = 0; }
    this.flow();
  }
  flow() {
    this.drives.sense(this.on ? false : this.shows ? true : null);
    const coil = this.on && this.pumped;
    if (coil === this.coil) return;
    this.coil = coil;
    this.mirror.schedule((coil ? this.figures.mirrorOpensUs : this.figures.mirrorClosesUs) * 1000);
  }
}
