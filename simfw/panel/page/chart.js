// The course as a picture: inputs, states, lights, current and charge against time.

import { clock, percent, si } from "./words.js";

const SVG = "http://www.w3.org/2000/svg";
const LEFT = 96;
const LOG_LOW = -6; // 1 µA
const LOG_HIGH = 0; // 1 A

function put(parent, tag, values, text) {
  const element = document.createElementNS(SVG, tag);
  for (const [name, value] of Object.entries(values)) element.setAttribute(name, value);
  if (text !== undefined) element.textContent = text;
  parent.append(element);
  return element;
}

const logPlace = (amperes) => Math.min(1, Math.max(0,
  (Math.log10(Math.max(amperes, 1e-12)) - LOG_LOW) / (LOG_HIGH - LOG_LOW)));

/** Draw the scale of the current: a band from least to most, a mark at the mean. */
export function drawScale(svg, least, mean, most) {
  const width = svg.clientWidth || 600;
  svg.setAttribute("viewBox", `0 0 ${width} 34`);
  svg.replaceChildren();
  put(svg, "rect", { class: "track", x: 0, y: 2, width, height: 14 });
  const [from, to] = [width * logPlace(least), width * logPlace(most)];
  put(svg, "rect", { class: "band", x: from, y: 2, width: Math.max(2, to - from), height: 14 });
  put(svg, "rect", { class: "mean", x: Math.max(0, width * logPlace(mean) - 2), y: 0, width: 4, height: 18 });
  ["1 µA", "10 µA", "100 µA", "1 mA", "10 mA", "100 mA", "1 A"].forEach((text, place) => {
    const anchor = place === 0 ? "start" : place === 6 ? "end" : "middle";
    put(svg, "text", { x: (place * width) / 6, y: 31, "text-anchor": anchor }, text);
  });
}

/** A short time for the axis, exact to what `step` (ns) asks. */
function axisTime(ns, step) {
  const [size, unit] = step >= 86400e9 ? [86400e9, "d"] : step >= 3600e9 ? [3600e9, "h"]
    : step >= 60e9 ? [60e9, "min"] : step >= 1e9 ? [1e9, "s"] : step >= 1e6 ? [1e6, "ms"] : [1e3, "µs"];
  return unit === "ms" || unit === "µs" ? `${+(ns / 1e9).toFixed(6)} s` : `${Math.round(ns / size)} ${unit}`;
}

const STEPS = [1, 2, 5, 10, 20, 50, 100, 200, 500, 1e3, 2e3, 5e3, 1e4, 2e4, 5e4, 1e5, 2e5, 5e5, 1e6, 2e6, 5e6,
  1e7, 2e7, 5e7, 1e8, 2e8, 5e8, 1e9, 2e9, 5e9, 10e9, 15e9, 30e9, 60e9, 120e9, 300e9, 600e9, 1800e9, 3600e9,
  7200e9, 6 * 3600e9, 12 * 3600e9, 86400e9, 2 * 86400e9, 7 * 86400e9, 30 * 86400e9, 91 * 86400e9, 365 * 86400e9];

/** A part of a course: what lies in [from, to), its columns as they are. */
export function cut(data, from, to) {
  const inside = (start, end) => start < to && Math.max(end, start + 1) > from;
  const first = Math.max(0, Math.floor((from - data.start_ns) / data.step_ns));
  const last = Math.ceil((to - data.start_ns) / data.step_ns);
  const each = (table, change) => Object.fromEntries(
    Object.entries(table).map(([name, list]) => [name, change(list)]));
  return {
    ...data, start_ns: from, end_ns: to, columns_ns: data.start_ns + first * data.step_ns,
    lanes: each(data.lanes, (spans) => spans.filter(([start, end]) => inside(start, end))),
    states: each(data.states, (stays) => stays.filter((stay) => inside(stay.from, stay.to))),
    lights: each(data.lights, (levels) => levels.slice(first, last)),
    current: data.current.slice(first, last),
    charge: data.charge.slice(first, last),
    voltage: data.voltage.slice(first, last),
  };
}

const NARROWEST_NS = 1e7; // what the chart shows at least

/** The part of [start, end) that is seen `by` times as wide, about `middle`, moved by `move` widths. */
export function zoomed(from, to, start, end, middle, by, move) {
  const width = Math.min(Math.max((to - from) * by, Math.min(NARROWEST_NS, end - start)), end - start);
  const left = (move ? (from + to) / 2 : middle) - width / 2 + move * width;
  const first = Math.max(start, Math.min(left, end - width));
  return [first, first + width];
}

/** Let the buttons beside a chart call `zoom(by, move)`, and a finger that is drawn over it `moved(ns)`. */
export function handled(chart, zoom, moved, done) {
  const at = (id) => document.getElementById(id);
  at("closer").onclick = () => zoom(0.25, 0);
  at("wider").onclick = () => zoom(4, 0);
  at("earlier").onclick = () => zoom(1, -0.5);
  at("later").onclick = () => zoom(1, 0.5);
  let dragging = false;
  const time = (event) => chart.timeAt(event.clientX - chart.svg.getBoundingClientRect().left);
  chart.svg.onpointerdown = (event) => {
    if (!chart.data) return;
    dragging = true;
    chart.svg.setPointerCapture(event.pointerId);
    moved(time(event));
  };
  chart.svg.onpointermove = (event) => { if (dragging) moved(time(event)); };
  const end = (ns) => { if (dragging) done(ns); dragging = false; };
  chart.svg.onpointerup = (event) => end(time(event));
  chart.svg.onpointercancel = () => end(null);
}

export class Chart {
  constructor(svg) {
    this.svg = svg;
    this.data = null;
    this.before = null;
    this.here = null;
  }

  get width() { return this.svg.clientWidth || 800; }
  get height() { return this.svg.clientHeight || 270; }

  /** The time (ns) at a place of the picture, and back. */
  timeAt(x) {
    const { start_ns: start, end_ns: end } = this.data;
    const share = (x - LEFT) / Math.max(1, this.width - LEFT - 8);
    return start + Math.min(1, Math.max(0, share)) * (end - start);
  }

  place(ns) {
    const { start_ns: start, end_ns: end } = this.data;
    return LEFT + (this.width - LEFT - 8) * Math.min(1, Math.max(0, (ns - start) / (end - start)));
  }

  /** Draw the course and, where there is one, the course as it was before. */
  draw(data, before = null) {
    this.data = data;
    this.before = before;
    this.svg.replaceChildren();
    this.svg.setAttribute("viewBox", `0 0 ${this.width} ${this.height}`);
    if (!data || !data.lanes) {
      put(this.svg, "text", { x: 12, y: 24 }, "Nothing has happened yet: press a key, or let time run.");
      this.data = null;
      return;
    }
    const lanes = Object.entries(data.lanes);
    const states = Object.entries(data.states);
    const lights = Object.entries(data.lights).filter(([, levels]) => levels.some((level) => level > 0));
    const recorded = Object.entries(data.recorded ?? {});
    const rows = lanes.length + states.length * (before ? 1.6 : 1) + lights.length + recorded.length + 1;
    const axis = 18;
    const most = this.height - axis;
    const lane = Math.max(9, Math.min(19, (most * 0.6) / Math.max(rows, 1)));
    let top = 2;
    for (const [name, spans] of lanes) {
      this.name(name, top, lane);
      this.track(top, lane);
      for (const [from, to] of spans) this.block("input-on", from, to, top + 1, lane - 3);
      top += lane;
    }
    for (const [name, stays] of states) {
      this.name(name, top, lane);
      this.stays(stays, top, lane - 2);
      top += lane;
      if (before) {
        this.changed(before.states[name] ?? [], stays, top, lane * 0.6 - 2);
        top += lane * 0.6;
      }
    }
    for (const [name, levels] of lights) {
      this.name(name, top, lane);
      this.track(top, lane);
      this.levels(levels, top, lane - 2);
      top += lane;
    }
    for (const [name, blocks] of recorded) {
      this.name(`rec. ${name}`, top, lane);
      this.track(top, lane);
      for (const [from, to, level] of blocks) {
        const tall = Math.max(2, (lane - 2) * level);
        this.block("before", from, to, top + lane - 2 - tall, tall);
      }
      top += lane;
    }
    this.name("cell", top, lane);
    this.voltage(top, lane - 2);
    top += lane;
    this.current(top + 4, Math.max(30, most - top - 6));
    this.axis(most);
    this.cursor(this.here);
  }

  name(text, top, lane) {
    const shown = text.length > 15 ? `${text.slice(0, 14)}…` : text;
    const found = put(this.svg, "text", { class: "name", x: 0, y: top + lane * 0.5 + 4 }, shown);
    if (shown !== text) put(found, "title", {}, text);
  }

  track(top, lane) {
    put(this.svg, "rect", { class: "track", x: LEFT, y: top + 1, width: this.width - LEFT - 8, height: lane - 3 });
  }

  block(kind, from, to, top, height) {
    const x = this.place(from);
    return put(this.svg, "rect", { class: kind, x, y: top, width: Math.max(1.5, this.place(to) - x), height });
  }

  stays(stays, top, height) {
    const names = [...new Set(stays.map((stay) => stay.state))].sort();
    for (const stay of stays) {
      const kind = `stay stay-${names.indexOf(stay.state) % 4}`;
      put(this.block(kind, stay.from, stay.to, top, height), "title", {}, stay.state);
      const [x, room] = [this.place(stay.from), this.place(stay.to) - this.place(stay.from)];
      const letters = Math.floor((room - 8) / 6.6);
      if (letters < 2) continue;
      const text = stay.state.length > letters ? `${stay.state.slice(0, letters - 1)}…` : stay.state;
      put(this.svg, "text", { class: "stay-text", x: x + 4, y: top + height * 0.5 + 4 }, text);
    }
  }

  /** Where the course before stood elsewhere. */
  changed(before, now, top, height) {
    for (const stay of before) {
      for (const other of now) {
        const [from, to] = [Math.max(stay.from, other.from), Math.min(stay.to, other.to)];
        if (from < to && stay.state !== other.state) {
          put(this.block("before", from, to, top, Math.max(3, height)), "title", {}, `before: ${stay.state}`);
        }
      }
    }
    const end = now.length ? now[now.length - 1].to : 0;
    for (const stay of before) {
      if (stay.to > end) this.block("before", Math.max(stay.from, end), stay.to, top, Math.max(3, height));
    }
  }

  levels(levels, top, height) {
    const { columns_ns: start = this.data.start_ns, step_ns: step } = this.data;
    let from = 0;
    for (let column = 1; column <= levels.length; column += 1) {
      if (column < levels.length && levels[column] === levels[from]) continue;
      if (levels[from] > 0) {
        const tall = Math.max(2, height * Math.min(1, levels[from]));
        this.block("lit", start + from * step, start + column * step, top + height - tall, tall);
      }
      from = column;
    }
  }

  /** The loaded voltage of the cell, between the least and the most that is shown. */
  voltage(top, height) {
    const known = this.data.voltage.filter((volts) => volts !== null);
    if (!known.length) return;
    const [low, high] = [Math.min(...known), Math.max(...known)];
    const room = Math.max(high - low, 0.02);
    const { columns_ns: start = this.data.start_ns, step_ns: step, voltage } = this.data;
    const points = voltage.flatMap((volts, column) => (volts === null ? []
      : [`${this.place(start + column * step)},${top + 2 + (height - 4) * (1 - (volts - low) / room)}`]));
    put(this.svg, "polyline", { class: "line", points: points.join(" ") });
    const text = high - low < 0.005 ? `${high.toFixed(2)} V` : `${low.toFixed(2)} to ${high.toFixed(2)} V`;
    put(this.svg, "text", { class: "over", x: this.width - 8, y: top + height - 1, "text-anchor": "end" }, text);
  }

  current(top, height) {
    const y = (amperes) => top + height * (1 - logPlace(amperes));
    for (const [amperes, text] of [[1, "1 A"], [1e-2, "10 mA"], [1e-4, "100 µA"], [1e-6, "1 µA"]]) {
      const line = { class: "grid", x1: LEFT, x2: this.width - 8, y1: y(amperes), y2: y(amperes) };
      put(this.svg, "line", line);
      put(this.svg, "text", { x: LEFT - 6, y: Math.min(y(amperes) + 4, top + height), "text-anchor": "end" }, text);
    }
    put(this.svg, "text", { class: "name", x: 0, y: top + height / 2 + 4 }, "current");
    if (this.before?.current) this.curve(this.before, "before-line", y);
    const { columns_ns: start = this.data.start_ns, step_ns: step, current } = this.data;
    const points = { low: [], high: [] };
    current.forEach(([least, , most], column) => {
      if (least === null) return;
      const x = this.place(start + (column + 0.5) * step);
      points.low.unshift(`${x},${y(least)}`);
      points.high.push(`${x},${y(most)}`);
    });
    put(this.svg, "polygon", { class: "band", points: [...points.high, ...points.low].join(" ") });
    this.curve(this.data, "line", y);
    const last = this.data.charge.findLast((charge) => charge !== null);
    if (last !== undefined) {
      put(this.svg, "text", { class: "over", x: this.width - 12, y: top + 10, "text-anchor": "end" },
        `charge ${percent(this.data.charge.find((charge) => charge !== null), 5)} to ${percent(last, 5)}`);
    }
  }

  curve(data, kind, y) {
    const points = data.current.flatMap(([, mean], column) => (mean === null ? []
      : [`${this.place((data.columns_ns ?? data.start_ns) + (column + 0.5) * data.step_ns)},${y(mean)}`]));
    put(this.svg, "polyline", { class: kind, points: points.join(" ") });
  }

  axis(top) {
    const { start_ns: start, end_ns: end } = this.data;
    const room = Math.max(2, Math.floor((this.width - LEFT) / 90));
    const step = STEPS.find((one) => (end - start) / one <= room) ?? STEPS[STEPS.length - 1];
    for (let at = Math.ceil(start / step) * step; at <= end; at += step) {
      const x = this.place(at);
      put(this.svg, "line", { class: "grid", x1: x, x2: x, y1: top - 4, y2: top });
      put(this.svg, "text", { x, y: top + 13, "text-anchor": x > this.width - 40 ? "end" : "middle" },
        axisTime(at, step));
    }
  }

  /** Mark a time (ns); null takes the mark away. */
  cursor(ns) {
    this.here = ns;
    this.svg.querySelector(".here")?.remove();
    if (ns === null || !this.data || ns < this.data.start_ns || ns > this.data.end_ns) return;
    const x = this.place(ns);
    put(this.svg, "line", { class: "here", x1: x, x2: x, y1: 0, y2: this.height - 16 });
  }

  /** What stands at a time, in words. */
  said(ns, data = this.data) {
    if (!data) return "";
    const { start_ns: start, step_ns: step, current, states } = data;
    const column = Math.floor((ns - start) / step);
    const words = Object.entries(states).map(([name, stays]) => {
      const stay = stays.find((one) => one.from <= ns && ns < one.to);
      const at = /^\d/.test(stay?.state) ? " at " : "."; // a dial's position
      return stay ? `${name}${at}${stay.state}` : "";
    });
    const mean = current[column]?.[1];
    return [clock(ns), ...words.filter(Boolean), mean ? si(mean, "A") : ""].filter(Boolean).join(", ");
  }
}
