// The firmware on rp2040js, a faster emulator, for as long as asked: a closed relay, frames
// acknowledged, the host's lease renewed. Prints one JSON line every ten emulated seconds.
// With `trips` it closes again and again instead, and times from a register beyond its limit,
// or the alert line falling, to the ENABLE pin falling.
// Started by soak.py, which prepares the files named in the one argument.
import fs from "node:fs";
import zlib from "node:zlib";
import { Converter, Monitor, RelayChain, bus } from "./soak_parts.mjs";

const job = JSON.parse(fs.readFileSync(process.argv[2], "utf8"));
const { Simulator, USBCDC, GPIOPinState } = await import(job.emulator);
const { kinds, events: numbers, pins, wire } = job;

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

// Pins: what nothing drives lies where the chip's own pull puts it.
const ms = () => sim.clock.nanos / 1e6;
const driven = {};
function pin(n, high) {
  // The same level once more would count as an edge.
  if (driven[n] !== high) mcu.gpio[n].setInputValue((driven[n] = high));
}
let sense = null;
const pull = () => mcu.gpio[pins.COIL].value === GPIOPinState.InputPullUp;
mcu.gpio[pins.COIL].addListener(() => { if (sense === null) pin(pins.COIL, pull()); });
for (const n of job.busPins) pin(n, true);
pin(pins.AUX, false); pin(pins.BUTTON, true); pin(pins.ESTOP, false); pin(pins.ALERT, true); pin(pins.LATCH, false);
for (const [channel, counts] of Object.entries(job.adc)) mcu.adc.channelValues[channel] = counts;

const chain = new RelayChain(sim.clock, job.relay, {
  latch: (set) => pin(pins.LATCH, set),
  sense: (level) => pin(pins.COIL, (sense = level) ?? pull()),
  mirror: (closed) => pin(pins.AUX, !closed),
});
let alertForced = false;
function alert() {
  const high = pos.alertHigh && neg.alertHigh && !alertForced;
  chain.alert(high);
  pin(pins.ALERT, high);
}
const pos = new Monitor(sim.clock, job.ina, alert), neg = new Monitor(sim.clock, job.ina, alert);
bus(mcu, sim.clock, 0, job.byteNs, { [job.rails[0]]: pos, [job.rails[1]]: neg });
const converters = job.outputs.map(() => new Converter(sim.clock, job.ads));
bus(mcu, sim.clock, 1, job.byteNs, Object.fromEntries(job.outputs.map((a, i) => [a, converters[i]])));

// Edges of the pulse train are timed, from the moment the coil is asked for.
const level = {};
let lastEdge = 0, longestGap = 0, longestAt = 0, shortestGap = Infinity;
for (const n of [pins.ENABLE, pins.PULSE])
  mcu.gpio[n].addListener((now) => {
    const high = now === GPIOPinState.High;
    if (high === !!level[n]) return;
    level[n] = high;
    if (n === pins.ENABLE) {
      chain.enable(high);
      lastEdge = ms();
      if (!high) opened();
      return;
    }
    chain.pulse(high);
    if (!level[pins.ENABLE]) return;
    const gap = ms() - lastEdge;
    if (gap > longestGap) { longestGap = gap; longestAt = ms(); }
    shortestGap = Math.min(shortestGap, gap);
    lastEdge = ms();
  });
mcu.peripherals[0x40058].onWatchdogTrigger = () => finish("watchdog");

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
  body.writeUInt8(wire, 0); body.writeUInt8(kind, 1); body.writeUInt16LE(payload.length, 2); body.writeUInt32LE(++seq, 4);
  const whole = Buffer.concat([body, payload]), crc = Buffer.alloc(4);
  crc.writeUInt32LE(zlib.crc32(whole));
  for (const b of Buffer.from(Buffer.concat([whole, crc]).toString("base64") + "\n")) outgoing.push(b);
}
let text = "", frames = 0, lostFrames = 0, newest = 0, newestEvent = 0, other = 0, infos = 0;
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
  if (kind === kinds.frame) {
    if (newest && n !== newest + 1) lostFrames++;
    const scan = p.readUInt32LE(4);
    if (lastScan && scan !== lastScan + 10) uneven++;
    lastScan = scan; newest = n; frames++;
    overruns = p.readUInt16LE(12); state = p.readUInt8(14);
  } else if (kind === kinds.event) {
    if (n > newestEvent) {
      newestEvent = n;
      const words = p.subarray(20).toString();
      events.push([p.readUInt8(4), words]);
      if (!job.trips && p.readUInt8(4) === numbers.tripped)
        finish(`tripped: cause ${p.readUInt8(5)} channel ${p.readUInt8(6)} reads ${p.readFloatLE(12)} ${words}`);
      if (job.trips && p.readUInt8(4) === numbers.closed) provoke();
    }
  } else if (kind === kinds.hello) {
    const first = hello === null;
    hello = JSON.parse(p.toString());
    const l = hello.load;
    heapMin = Math.min(heapMin, l.heap_min); slotMax = Math.max(slotMax, l.slot_us); gcMax = Math.max(gcMax, l.gc_us);
    if (l.idle_pct && state === job.closed) idleMin = Math.min(idleMin, l.idle_pct);
    if (first) {
      console.log(JSON.stringify({ ready_at_ms: Math.round(ms()), selftest: hello.selftest, hello_bytes: p.length, ...l }));
      acknowledge();
      send(kinds.stage, Buffer.from(job.stage, "hex"));
    }
  } else if (kind === kinds.info) {
    infos++;
    if (p.readUInt8(1) + 1 < p.readUInt8(2)) ask(p.readUInt8(1) + 1);
  } else if (kind === kinds.reply) {
    const asked = p.readUInt8(4), refusal = p.readUInt8(5), words = p.subarray(7).toString();
    if (refusal) finish("refused: " + asked + " " + refusal + " " + words);
    if (asked === kinds.stage || asked === kinds.reset) send(kinds.arm);
    if (asked === kinds.arm) { const c = Buffer.alloc(4); c.writeUInt32LE(Number(words)); send(kinds.go, c); }
  }
}
// What the self-test found, in parts: a host may ask for it at any time.
const ask = (part) => send(kinds["info request"], Buffer.from([0, part]));
function acknowledge() {
  const a = Buffer.alloc(10);
  a.writeUInt32LE(newest, 0); a.writeUInt32LE(newestEvent, 4); a.writeUInt16LE(5000, 8);
  send(kinds.ack, a);
}
const report = () => console.log(JSON.stringify({
  emulated_s: +(ms() / 1000).toFixed(1), wall_s: Math.round((Date.now() - begun) / 1000), state, frames, lost_frames: lostFrames,
  uneven_frames: uneven, overruns, idle_pct_min: idleMin, idle_pct: hello?.load.idle_pct, heap_min: heapMin, heap: hello?.load.heap,
  gc_us: gcMax, slot_us: slotMax, longest_pulse_gap_ms: +longestGap.toFixed(2), gap_at_s: +(longestAt / 1000).toFixed(2),
  shortest_pulse_gap_ms: +shortestGap.toFixed(2), infos, least_conversion_us: converters.map((c) => Math.round(c.leastUs)), bad_lines: other, events: events.slice(-4) }));
function finish(why) { console.log(JSON.stringify({ end: why })); report(); process.exit(0); }

// Trips: by software and by the alert line in turn.
const took = { software: [], alert: [] };
let way = "software", since = null;
const cause = sim.clock.createAlarm(() => {
  since = ms();
  if (way === "software") pos.set(job.beyond, pos.bus);
  else { alertForced = true; alert(); }
});
const again = sim.clock.createAlarm(() => send(kinds.reset));
const provoke = () => cause.schedule((40 + Math.random() * 100) * 1e6);
function opened() {
  if (!job.trips || since === null) return;
  took[way].push(ms() - since);
  since = null;
  pos.set(0, pos.bus);
  alertForced = false;
  alert();
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

let ticks = 0;
const begun = Date.now();
const tick = sim.clock.createAlarm(() => {
  tick.schedule(1e6);
  ticks++;
  if ((hello === null && ticks % 1500 === 0) || ticks % 10000 === 7000) send(kinds["hello request"]);
  if (ticks % 10000 === 2000 && state === job.closed) ask(0);
  if (hello !== null && ticks % 200 === 0) acknowledge();
  if (!job.trips && ticks % 1000 === 0)
    for (const part of [pos, neg]) part.set((Math.random() * 3000) | 0, 215000 + ((Math.random() * 500) | 0));
  drain();
  if (ticks % 10000 === 0) report();
  if (ticks >= job.seconds * 1000) finish("time is up");
});
tick.schedule(1e6);
mcu.core.PC = 0x10000000;
sim.execute();
