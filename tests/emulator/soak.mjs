// The firmware on rp2040js, a faster emulator, for as long as asked: a closed relay, frames
// acknowledged, the host's lease renewed. Prints one JSON line every ten emulated seconds.
// With `trips` it closes again and again instead, and times from a register beyond its limit,
// or the alert line falling, to the ENABLE pin falling.
// Started by soak.py, which prepares the files named in the one argument.
import fs from "node:fs";
import zlib from "node:zlib";

const job = JSON.parse(fs.readFileSync(process.argv[2], "utf8"));
const { Simulator, USBCDC } = await import(job.emulator);
const ENABLE = 14, PULSE = 15, AUX = 18, BUTTON = 19, ESTOP = 20, ALERT = 21;

const sim = new Simulator();
const mcu = sim.rp2040;
mcu.loadBootrom(new Uint32Array(job.bootrom));
mcu.logger = { debug() {}, warn() {}, error() {}, info() {} };
const uf2 = fs.readFileSync(job.image);
for (let at = 0; at < uf2.length; at += 512) {
  const size = uf2.readUInt32LE(at + 16);
  mcu.flash.set(uf2.subarray(at + 32, at + 32 + size), uf2.readUInt32LE(at + 12) - 0x10000000);
}
mcu.flash.set(fs.readFileSync(job.files), job.filesAt);

// Parts: registers behind a pointer, and bytes that take time.
function part(registers, wide) {
  const p = { registers, ptr: 0, bytes: [], out: [] };
  p.size = (r) => (wide.includes(r) ? 3 : 2);
  p.value = (r) => p.registers[r] ?? 0;
  p.start = (read) => {
    p.bytes = [];
    if (read) {
      const v = p.value(p.ptr), n = p.size(p.ptr);
      p.out = Array.from({ length: n }, (_, i) => (v >>> (8 * (n - 1 - i))) & 0xff);
    }
    return true;
  };
  p.write = (b) => {
    p.bytes.push(b);
    if (p.bytes.length === 1) p.ptr = b;
    else if (p.bytes.length === 1 + p.size(p.ptr)) p.registers[p.ptr] = p.bytes.slice(1).reduce((a, x) => (a << 8) | x, 0);
  };
  p.read = () => (p.out.length ? p.out.shift() : 0xff);
  return p;
}
const monitor = () =>
  part({ 0: 0, 1: 0xfb68, 2: 0x1000, 4: 0, 5: 0, 0xb: 1, 0xc: 0x7fff, 0xd: 0x8000, 0x3e: 0x5449, 0x3f: 0x2281 }, [4, 5, 7, 8]);
function converter() {
  const p = part({ 0: 0, 1: 0x8583 }, []);
  const counts = { 0: 1408, 6: 13200, 7: 10 };
  p.value = (r) => (r === 0 ? (counts[(p.registers[1] >> 12) & 7] ?? 0) + ((Math.random() * 5) | 0) : p.registers[r]);
  return p;
}
function bus(block, parts) {
  const hw = mcu.i2c[block];
  let now = null, then = null;
  const alarm = sim.clock.createAlarm(() => { const f = then; then = null; f?.(); });
  const later = (f) => { then = f; alarm.schedule(22500); };
  const abort = hw.abort.bind(hw);
  hw.abort = (reason) => { abort(reason); hw.setInterrupts(1 << 4); };
  hw.onConnect = (address, mode) => {
    now = parts[address];
    const ok = !!now && now.start(mode === 1);
    later(() => hw.completeConnect(ok));
  };
  hw.onWriteByte = (b) => { now.write(b); later(() => hw.completeWrite(true)); };
  hw.onReadByte = () => { const b = now.read(); later(() => hw.completeRead(b)); };
}
const pos = monitor(), neg = monitor();
bus(0, { 0x40: pos, 0x41: neg });
bus(1, { 0x48: converter(), 0x49: converter() });
for (let i = 0; i < 3; i++) mcu.adc.channelValues[i] = 2280;
mcu.adc.channelValues[4] = 875;
const pin = (n, v) => mcu.gpio[n].setInputValue(v);
pin(AUX, true); pin(BUTTON, true); pin(ESTOP, false); pin(ALERT, true);

// Relay: follows its coil; edges of the pulse train are timed.
const ms = () => sim.clock.nanos / 1e6;
const level = {};
let lastEdge = 0, longestGap = 0, edges = 0, resets = 0;
for (const n of [ENABLE, PULSE])
  mcu.gpio[n].addListener((now) => {
    const high = now === 1;
    if (high === !!level[n]) return;
    level[n] = high;
    if (n === ENABLE && !high) opened();
    if (n === PULSE && level[ENABLE]) {
      if (edges) longestGap = Math.max(longestGap, ms() - lastEdge);
      lastEdge = ms();
      edges++;
    }
  });
mcu.peripherals[0x40058].onWatchdogTrigger = () => { resets++; finish("watchdog"); };

// USB: the host's idle reads are held back until it has bytes.
const cdc = new USBCDC(mcu.usbCtrl);
const answer = mcu.usbCtrl.onEndpointRead;
let held = null;
mcu.usbCtrl.onEndpointRead = (ep, size) => {
  if (ep && ep === cdc.outEndpoint && cdc.txFIFO.empty) held = [ep, size];
  else answer(ep, size);
};
const give = sim.clock.createAlarm(() => { if (held) { const h = held; held = null; answer(...h); } });
const outgoing = [];
function drain() {
  while (outgoing.length && !cdc.txFIFO.full) cdc.sendSerialByte(outgoing.shift());
  if (held && !cdc.txFIFO.empty) give.schedule(20000);
}
let seq = 0;
function send(kind, payload = Buffer.alloc(0)) {
  const body = Buffer.alloc(8);
  body.writeUInt8(1, 0); body.writeUInt8(kind, 1); body.writeUInt16LE(payload.length, 2); body.writeUInt32LE(++seq, 4);
  const whole = Buffer.concat([body, payload]), crc = Buffer.alloc(4);
  crc.writeUInt32LE(zlib.crc32(whole));
  for (const b of Buffer.from(Buffer.concat([whole, crc]).toString("base64") + "\n")) outgoing.push(b);
}
let text = "", frames = 0, lostFrames = 0, newest = 0, newestEvent = 0, other = 0, step = 0;
let overruns = 0, state = 0, lastScan = 0, uneven = 0, hello = null, heapMin = 1e9, idleMin = 100, slotMax = 0, gcMax = 0;
const events = [];
cdc.onSerialData = (data) => {
  text += Buffer.from(data).toString("latin1");
  let at;
  while ((at = text.indexOf("\n")) >= 0) {
    const line = text.slice(0, at);
    text = text.slice(at + 1);
    const m = Buffer.from(line, "base64");
    if (m.length < 12 || m.readUInt32LE(m.length - 4) !== zlib.crc32(m.subarray(0, m.length - 4))) { other++; continue; }
    take(m.readUInt8(1), m.readUInt32LE(4), m.subarray(8, m.length - 4));
  }
};
function take(kind, n, p) {
  if (kind === 2) {
    if (newest && n !== newest + 1) lostFrames++;
    const scan = p.readUInt32LE(4);
    if (lastScan && scan !== lastScan + 10) uneven++;
    lastScan = scan; newest = n; frames++;
    overruns = p.readUInt16LE(12); state = p.readUInt8(14);
  } else if (kind === 3) {
    if (n > newestEvent) {
      newestEvent = n;
      events.push([p.readUInt8(4), p.subarray(20).toString()]);
      if (job.trips && p.readUInt8(4) === 3) provoke();
    }
  } else if (kind === 1) {
    hello = JSON.parse(p.toString());
    const l = hello.load;
    heapMin = Math.min(heapMin, l.heap_min); slotMax = Math.max(slotMax, l.slot_us); gcMax = Math.max(gcMax, l.gc_us);
    if (l.idle_pct && ms() > 8000) idleMin = Math.min(idleMin, l.idle_pct);
  } else if (kind === 4) {
    const refusal = p.readUInt8(5), words = p.subarray(7).toString();
    if (refusal) finish("refused: " + p.readUInt8(4) + " " + refusal + " " + words);
    if (p.readUInt8(4) === 22) send(19);
    if (p.readUInt8(4) === 19) { const c = Buffer.alloc(4); c.writeUInt32LE(Number(words)); send(20, c); }
  }
}
const report = () => console.log(JSON.stringify({
  emulated_s: +(ms() / 1000).toFixed(1), wall_s: Math.round((Date.now() - begun) / 1000), state, frames, lost_frames: lostFrames,
  uneven_frames: uneven, overruns, idle_pct_min: idleMin, idle_pct: hello?.load.idle_pct, heap_min: heapMin, heap: hello?.load.heap,
  gc_us: gcMax, slot_us: slotMax, longest_pulse_gap_ms: +longestGap.toFixed(2), bad_lines: other, events: events.slice(-4) }));
function finish(why) { console.log(JSON.stringify({ end: why })); report(); process.exit(0); }

// Trips: by software and by the alert line in turn.
const took = { software: [], alert: [] };
let way = "software", since = null;
const cause = sim.clock.createAlarm(() => {
  since = ms();
  if (way === "software") pos.registers[4] = Math.round(7 / 31.25e-6) << 4;
  else pin(ALERT, false);
});
const again = sim.clock.createAlarm(() => send(22));
const provoke = () => cause.schedule((40 + Math.random() * 100) * 1e6);
function opened() {
  if (!job.trips || since === null) return;
  took[way].push(ms() - since);
  since = null;
  pos.registers[4] = 0;
  pin(ALERT, true);
  const n = took.software.length + took.alert.length;
  if (n % 20 === 0) summary();
  if (n >= job.trips) { summary(); finish("trips done"); }
  way = n % 4 === 3 ? "alert" : "software";
  again.schedule(60e6);
}
function summary() {
  const out = {};
  for (const [name, list] of Object.entries(took)) {
    const s = [...list].sort((a, b) => a - b), q = (x) => +(s[Math.min(s.length - 1, Math.floor(x * s.length))] ?? 0).toFixed(3);
    out[name + "_ms"] = { n: s.length, median: q(0.5), p99: q(0.99), worst: q(1) };
  }
  console.log(JSON.stringify(out));
}

let ticks = 0, fedSince = null;
const begun = Date.now();
const tick = sim.clock.createAlarm(() => {
  tick.schedule(1e6);
  ticks++;
  const fed = level[ENABLE] && ms() - lastEdge < 60;
  fedSince = fed ? fedSince ?? ms() : null;
  pin(AUX, !(fedSince !== null && ms() - fedSince > 8));
  if (ticks === 1500 || ticks % 10000 === 7000) send(16);
  if (ticks === 3000) send(18, Buffer.from(job.stage, "hex"));
  if (ticks === 3600) send(19);
  if (ticks > 1800 && ticks % 200 === 0) {
    const a = Buffer.alloc(10);
    a.writeUInt32LE(newest, 0); a.writeUInt32LE(newestEvent, 4); a.writeUInt16LE(5000, 8);
    send(17, a);
  }
  if (!job.trips && ticks % 1000 === 0) {
    pos.registers[4] = ((Math.random() * 3000) | 0) << 4; neg.registers[4] = ((Math.random() * 3000) | 0) << 4;
    pos.registers[5] = neg.registers[5] = (215000 + ((Math.random() * 500) | 0)) << 4;
  }
  drain();
  if (ticks % 10000 === 0) report();
  if (ticks >= job.seconds * 1000) finish("time is up");
});
tick.schedule(1e6);
mcu.core.PC = 0x10000000;
sim.execute();
