// The page: it has the clock, asks the server frame by frame, and shows what comes back.

import { Chart, cut, drawScale, handled, zoomed } from "./chart.js";
import { Calm, Face, ledColour } from "./face.js";
import { Keys } from "./keys.js";
import { More } from "./more.js";
import { clock, percent, rough, si } from "./words.js";

const at = (id) => document.getElementById(id);
const token = location.hash.slice(1);
const page = crypto.randomUUID?.() ?? String(Math.random());
const LONGEST_MS = 250; // of a frame: a page that was away does not jump ahead
const FAST_MS = 50; // between frames when time goes faster than 1x
const WINDOW_MS = 400; // over which numbers are averaged
const RESTED_MS = 1100; // after which a light that was calmed may change again
const COURSE_MS = 1500; // between pictures of the course while time runs

const state = {
  scale: null, told: 0, running: false, rate: 1, base: 0, last: 0, deeds: [], later: [], busy: false, stopped: false, sent: 0,
  window: null, view: null, course: null, before: null, from: null, to: null, drawn: 0, drawing: false,
};
let [gadget, face, keys, more, chart] = [];

/** Ask the server for something; null where it cannot be had, which is then told. */
async function ask(what, asked = {}, quiet = false) {
  try {
    const answer = await fetch(`/do/${what}`, {
      method: "POST", body: JSON.stringify(asked),
      headers: { "Content-Type": "application/json", "X-Panel-Token": token, "X-Panel-Page": page },
    });
    const value = await answer.json();
    if (answer.ok) return value;
    if (answer.status === 409) state.stopped = true;
    if (!quiet) trouble(value.error);
    return quiet ? { error: value.error, status: answer.status } : null;
  } catch {
    trouble("The panel does not answer: was it stopped?");
    return null;
  }
}

function trouble(text) {
  at("trouble").textContent = text;
  at("trouble").hidden = !text;
  if (text) run(false);
}

// -- time --------------------------------------------------------------------------------------

const rate = () => (keys?.held ? 1 : state.rate);

/** Bring the bench's own time to a time stamp of the browser (ms). */
function reach(stamp) {
  if (!state.running) return;
  const lasted = Math.min(Math.max(0, stamp - state.last), LONGEST_MS);
  state.base += Math.round(lasted * 1e6 * rate());
  state.last = Math.max(state.last, stamp);
}

function run(on, stamp = performance.now()) {
  if (state.running === on) return;
  state.running = on;
  state.last = stamp;
  at("run").textContent = on ? "Pause" : "Run";
  at("run").setAttribute("aria-pressed", String(on));
  if (on) requestAnimationFrame(frame);
  else flush().then(refresh).then(picture);
}

/** A deed at a time stamp; returns its time on the bench (ns). A finger starts the time. */
function deed(kind, name, level, stamp, pin = false, lasting = 0) {
  reach(stamp);
  // Whoever takes an input in hand again decides when it comes to rest.
  state.later = state.later.filter((one) => one.kind !== kind || one.name !== name);
  state.deeds.push({ kind, name, level, at_ns: state.base });
  if (lasting) {
    const { rest } = gadget.inputs.find((one) => one.kind === kind && one.name === name);
    state.later.push({ kind, name, level: rest, at_ns: state.base + Math.round(lasting * 1e6) });
  }
  if (!state.running) {
    if (pin) flush();
    else if (!state.stopped) run(true, stamp);
  }
  return state.base;
}

/** What comes to rest by itself does so at its time. */
function due() {
  const now = state.later.filter((one) => one.at_ns <= state.base).sort((one, other) => one.at_ns - other.at_ns);
  state.later = state.later.filter((one) => one.at_ns > state.base);
  for (const one of now) {
    const place = state.deeds.findIndex((done) => done.at_ns > one.at_ns);
    state.deeds.splice(place < 0 ? state.deeds.length : place, 0, one);
  }
}

/** Send what was done while time stands; what was sent before is answered first. */
async function flush(ends = false) {
  if (ends && state.later.length) state.base = Math.max(state.base, ...state.later.map((one) => one.at_ns));
  due();
  if (!state.deeds.length) return;
  while (state.busy) await new Promise((done) => { setTimeout(done, 5); });
  if (state.running || state.stopped || !state.deeds.length) return;
  await step(0);
}

/** One frame: what was done since the last one, and the time until now. */
async function step(lasted, fast = false) {
  state.busy = true;
  due();
  const deeds = state.deeds.splice(0);
  const view = await ask("frame", { deeds, to_ns: state.base });
  state.busy = false;
  if (!view) return;
  // What was done while the answer was under way has its time already.
  state.base = Math.max(state.base, view.time_ns);
  seen(view, lasted, fast);
}

async function frame(now) {
  if (!state.running || state.stopped) return;
  requestAnimationFrame(frame);
  const fast = rate() > 1;
  if (state.busy || (fast && now - state.sent < FAST_MS)) return;
  const lasted = Math.min(now - state.sent, LONGEST_MS);
  state.sent = now;
  reach(now);
  await step(lasted, fast);
  if (now - state.drawn > COURSE_MS && !document.hidden) picture();
}

// -- what is seen --------------------------------------------------------------------------------

function seen(view, lasted, fast = false) {
  state.view = view;
  at("time").textContent = clock(view.time_ns);
  face.show(view, performance.now(), lasted, fast);
  keys.show(view.time_ns);
  more.take(view);
  meters(view, lasted);
  speak(view);
  if (!lasted || performance.now() - state.told > 200) told(view);
}

function told(view) {
  state.told = performance.now();
  more.show(view);
  at("supply").textContent = supply(view);
}

/** Say again how all stands: while time runs, words are told now and then only. */
function refresh() {
  if (!state.view) return;
  face.say(state.view);
  state.window = null; // when time stands, the last frame counts
  meters(state.view, 0);
  told(state.view);
  stand();
}

/** While time stands the lights are those of the moment; what was blinking comes to rest first. */
async function stand() {
  while (state.busy) await new Promise((done) => { setTimeout(done, 5); }); // the last frame's answer
  if (state.running || state.stopped) return;
  const view = await ask("frame", { to_ns: state.base }, true);
  if (!view || view.error || state.running) return;
  more.take(view);
  told(view);
  face.show(view, performance.now(), 0, false);
  if (face.calmed) setTimeout(stand, RESTED_MS);
}

function supply(view) {
  const words = [];
  if (!view.alive) words.push("no supply: the controller is dead");
  if (gadget.gauge && view.bars !== null) words.push(`gauge: ${view.bars} of ${gadget.gauge} ${gadget.gauge === 1 ? "bar" : "bars"}`);
  if (view.charger !== "off") words.push(`charger: ${view.charger}, ${si(view.charger_a, "A")}`);
  return words.join("; ");
}

/** Numbers are averaged over a while: nobody reads sixty of them a second. */
function meters(view, lasted) {
  const ns = view.time_ns - view.since_ns;
  const sum = state.window ??= { ns: 0, drawn: 0, charged: 0, least: Infinity, most: 0, ms: 0 };
  const weight = Math.max(ns, 1);
  sum.ns += weight;
  sum.drawn += view.current_a * weight;
  sum.charged += view.charger_a * weight;
  sum.least = Math.min(sum.least, view.least_a);
  sum.most = Math.max(sum.most, view.most_a);
  sum.ms += lasted;
  if (lasted && sum.ms < WINDOW_MS) return;
  state.window = null;
  const mean = sum.drawn / sum.ns;
  const net = mean - sum.charged / sum.ns;
  at("current").textContent = si(mean, "A");
  at("span").textContent = `${si(sum.least, "A", 2)} to ${si(sum.most, "A", 2)}`;
  at("voltage").textContent = `${view.voltage_v.toFixed(2)} V`;
  at("charge").textContent = percent(view.charge);
  at("left").textContent = net > 0 ? rough(view.left_c / net) : "not emptier";
  state.scale = [sum.least, mean, sum.most];
  drawScale(at("scale"), ...state.scale);
}

function speak(view) {
  if (!at("speak").checked || !view.events.length) return;
  const names = [...new Set(view.events.map((event) => event.name))];
  at("told").textContent = names.slice(-6).join(", ");
}

// -- the course ----------------------------------------------------------------------------------

async function picture() {
  if (state.drawing || state.stopped) return;
  state.drawing = true;
  const started = performance.now();
  const part = state.from === null ? {} : { start_ns: Math.round(state.from), end_ns: Math.round(state.to) };
  const data = await ask("course", part);
  state.drawing = false;
  // Where a picture takes long there are fewer of them.
  state.drawn = performance.now() + 4 * (performance.now() - started);
  if (!data) return;
  state.course = data;
  chart.draw(data, before());
}

/** The course as it was before, of the part that is shown. */
function before() {
  if (!state.before || state.from === null) return state.before;
  return cut(state.before, state.from, state.to);
}

async function back(ns) {
  const asked = Math.round(Math.max(0, ns));
  if (state.view && asked >= state.view.time_ns) return;
  await travel("back", { time_ns: asked });
}

/** Stand at another time; the course until now stays beside the new one where it is an earlier one. */
async function travel(what, asked) {
  run(false);
  await flush(true);
  const whole = await ask("course", {});
  const from = state.view?.time_ns ?? 0;
  const view = await ask(what, asked);
  if (!view) return;
  trouble("");
  if (view.time_ns >= from) {
    state.base = view.time_ns;
    keys.follow(view);
    seen(view, 0);
    await picture();
    return;
  }
  if (whole?.lanes) state.before = whole;
  state.deeds = [];
  state.base = view.time_ns;
  more.forget(view.time_ns);
  keys.follow(view);
  seen(view, 0);
  await picture();
  settleScrub();
}

function settleScrub() {
  at("scrub").value = at("scrub").max;
  at("scrubbed").textContent = "now";
  chart.cursor(null);
}

function scrubbed() {
  const share = at("scrub").value / at("scrub").max;
  const ns = share * (state.view?.time_ns ?? 0);
  at("scrubbed").textContent = share >= 1 ? "now" : clock(ns);
  chart.cursor(share >= 1 ? null : ns);
  return share >= 1 ? null : ns;
}

function zoom(by, move) {
  const now = Math.max(state.view?.time_ns ?? 0, 1);
  const [from, to] = state.from === null ? [0, now] : [state.from, state.to];
  const middle = chart.here ?? (state.from === null ? to : (from + to) / 2);
  const seen = zoomed(from, to, 0, now, middle, by, move);
  [state.from, state.to] = seen[1] - seen[0] >= now ? [null, null] : seen;
  picture();
}

/** The finger that is drawn over the chart is at a time (ns). */
function drawnTo(ns) {
  chart.cursor(ns);
  at("scrubbed").textContent = clock(ns);
}

function wireCourse() {
  chart = new Chart(at("chart"));
  at("scrub").oninput = scrubbed;
  at("scrub").onchange = () => { const ns = scrubbed(); if (ns !== null) back(ns); };
  const go = () => travel("to", { time: at("goal").value });
  at("go").onclick = go;
  at("goal").onkeydown = (event) => { if (event.key === "Enter") go(); };
  at("all").onclick = () => { state.from = state.to = null; picture(); };
  handled(chart, zoom, drawnTo, (ns) => {
    if (ns !== null && ns < (state.view?.time_ns ?? 0) - 1e6) back(ns);
    else settleScrub();
  });
  addEventListener("resize", () => {
    if (state.course) chart.draw(state.course, before());
    if (state.scale) drawScale(at("scale"), ...state.scale);
  });
}

// -- files and figures ---------------------------------------------------------------------------

async function change(settings) {
  run(false);
  await flush(true);
  const whole = state.view?.time_ns ? await ask("course", {}) : null;
  const found = await ask("change", { settings });
  if (!found) return;
  trouble("");
  const values = Object.entries(found.settings).map(([key, value]) => `${key} = ${value}`).join(", ");
  await changed(found, whole, values || "As in the file");
}

async function changed(found, whole, title) {
  if (whole?.lanes) state.before = whole;
  await described();
  more.differences(found.differences, title);
  more.figures(await ask("figures"));
  seen(found.view, 0);
  keys.follow(found.view);
  state.base = found.view.time_ns;
  await picture();
}

/** The gadget as the server has it now. */
async function described() {
  const found = await ask("gadget");
  if (!found) return null;
  gadget = found;
  document.title = `${gadget.name}, simfw panel`;
  at("name").textContent = gadget.name;
  at("file").textContent = gadget.file;
  face = new Face(at("lights"), gadget);
  more = new More(gadget, change, ask);
  more.events = gadget.events.reverse();
  more.view = gadget.view;
  keys?.close();
  keys = new Keys(gadget, at("buttons"), at("inputs"), deed, reach);
  at("keys").hidden = !keys.keys.size;
  const cautions = [gadget.caution_charging];
  if (gadget.inputs.some((input) => input.infrared)) cautions.push(gadget.caution_infrared);
  at("caution").textContent = cautions.filter(Boolean).join(" ");
  return found;
}

async function watchFile() {
  if (document.hidden || state.stopped) return;
  const whole = state.course && state.from === null ? state.course : null;
  const found = await ask("file", {}, true);
  if (!found || found.error) {
    if (found?.status === 409) trouble(found.error);
    return;
  }
  if (found.trouble) trouble(`The gadget file has a mistake; the old gadget stays.\n${found.trouble}`);
  else if (found.changed) {
    run(false);
    trouble("");
    await changed(found, whole, "The file was read again");
  }
}

async function save(over, page) {
  state.page = page;
  const name = at("save-name").value;
  const found = await ask("save", { name, title: at("save-title").value, over, page }, true);
  at("save-over").hidden = found?.status !== 412;
  if (found?.error) at("save-trouble").textContent = found.error;
  else if (found) at("save-trouble").textContent = `Written: ${found.name}${page ? "" : `, ${found.steps} steps`}.`;
}

function wire() {
  at("run").onclick = () => run(!state.running);
  for (const button of document.querySelectorAll("[data-rate]")) {
    button.onclick = () => {
      if (state.running) reach(performance.now());
      state.rate = Number(button.dataset.rate);
      for (const one of document.querySelectorAll("[data-rate]")) {
        one.setAttribute("aria-pressed", String(one === button));
      }
    };
  }
  at("next").onclick = async () => {
    run(false);
    await flush(true);
    const view = await ask("next");
    if (!view) return;
    state.base = view.time_ns;
    seen(view, 0);
    if (!view.found) at("told").textContent = "Nothing happened within a day.";
    await picture();
  };
  at("keep").onclick = () => {
    run(false);
    flush(true);
    at("save-trouble").textContent = "";
    at("save-over").hidden = true;
    at("saving").showModal();
  };
  at("save-do").onclick = () => save(false, false);
  at("save-page").onclick = () => save(false, true);
  at("save-over").onclick = () => save(true, state.page);
  at("save-close").onclick = () => at("saving").close();
  document.addEventListener("visibilitychange", () => { state.last = performance.now(); });
  setInterval(watchFile, 1000);
}

async function begin() {
  wireCourse();
  const found = await described();
  if (!found) return;
  wire();
  state.base = found.view.time_ns;
  keys.follow(found.view);
  seen(found.view, 0);
  more.figures(await ask("figures"));
  await picture();
}

// For tests and for the curious: nothing on the page needs it.
globalThis.simfw = { state, Calm, ledColour, get keys() { return keys; }, get chart() { return chart; } };
begin();
