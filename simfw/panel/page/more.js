// The tabs: states, events, figures with what they change, what was used, cautions.

import { ampereHours, clock, made, si, span, table } from "./words.js";

const MOST_EVENTS = 200;
const LIT_MS = 1000; // for so long the row that fired is lit

export class More {
  /** `change(settings)` asks for the course with other figures, `ask(what)` the server. */
  constructor(gadget, change, ask) {
    this.ask = ask;
    this.drawings = null; // by region, once somebody has asked for them
    this.gadget = gadget;
    this.change = change;
    this.events = [];
    this.stood = new Map(); // the state of each region
    this.came = new Map(); // by which row a region came there, and when that was seen (ms)
    this.settings = {};
    this.list = [];
    this.values = new Map(gadget.dials.map((dial) => [dial.name, dial.values])); // of each position
    this.regions = new Map(gadget.regions.map((region) => [region.name, region]));
    document.getElementById("care").replaceChildren(...gadget.cautions.map((text) => made("p", "", text)));
    document.getElementById("filter").oninput = () => this.drawFigures();
    document.getElementById("as-written").onclick = () => this.change({});
    this.drawWatched(gadget.watched);
    this.tabs();
  }

  /** The scenario whose steps happen by themselves, and which of its expectations are met. */
  drawWatched(watched) {
    document.getElementById("tab-watched").hidden = !watched;
    if (!watched) return;
    const rows = watched.expectations.map((one) => (
      [clock(one.time_ns), one.text, one.met ? "met" : "not met", one.why]));
    const words = watched.count ? `${watched.met} of ${watched.count} expectations are met in one run.` : "";
    const lines = [watched.title, `It lasts ${span(watched.lasts_ns / 1e9)}; its steps happen by themselves. ${words}`];
    document.getElementById("watched").replaceChildren(
      ...[...lines, ...watched.notes].map((text) => made("p", "", text)),
      ...(rows.length ? [table(["at", "expected", "", "what stood instead"], rows)] : []));
  }

  tabs() {
    const tabs = [...document.querySelectorAll('[role="tab"]')].filter((tab) => !tab.hidden);
    const open = (tab) => {
      for (const one of tabs) {
        one.setAttribute("aria-selected", String(one === tab));
        one.tabIndex = one === tab ? 0 : -1;
        document.getElementById(one.getAttribute("aria-controls")).hidden = one !== tab;
      }
      if (this.view) this.show(this.view);
    };
    for (const tab of tabs) {
      tab.onclick = () => open(tab);
      tab.onkeydown = (event) => {
        const way = { ArrowRight: 1, ArrowLeft: -1 }[event.key];
        if (!way) return;
        const next = tabs[(tabs.indexOf(tab) + way + tabs.length) % tabs.length];
        open(next);
        next.focus();
      };
    }
  }

  isOpen(name) {
    return !document.getElementById(name).hidden;
  }

  /** Take in the events of a view. */
  take(view) {
    if (view.dropped) this.events.unshift({ time_ns: view.since_ns, name: `${view.dropped} more events` });
    for (const event of view.events) this.events.unshift(event);
    const names = new Set(view.events.map((event) => event.name));
    for (const region of view.regions) {
      const before = this.stood.get(region.name)?.state;
      const stayed = region.since_ns - (this.stood.get(region.name)?.since_ns ?? 0);
      this.stood.set(region.name, region);
      const known = this.regions.get(region.name);
      if (!known?.written || before === undefined || before === region.state) continue;
      // The rows that may have led there; within one frame of 1x it is nearly always one.
      const rows = known.rows.filter((row) => row.from.includes(before) && row.leads.includes(region.state)
        && (row.on === null ? Math.abs(stayed - row.after_ns) < 1e3 : names.has(row.on)));
      const numbers = rows.map((row) => known.rows.indexOf(row));
      this.came.set(region.name, { text: rows.map((row) => row.text).join(" or "), numbers, at: performance.now() });
    }
    this.events.length = Math.min(this.events.length, MOST_EVENTS);
  }

  /** What came after a time is not part of the course any more. */
  forget(timeNs) {
    this.events = this.events.filter((event) => event.time_ns < timeNs);
    this.stood.clear();
    this.came.clear();
  }

  show(view) {
    this.view = view;
    if (this.isOpen("states")) this.drawStates(view);
    if (this.isOpen("events")) this.drawEvents();
    if (this.isOpen("used")) this.drawUsed(view);
    if (this.isOpen("diagrams")) this.drawDiagrams(view);
  }

  drawStates(view) {
    const order = [...view.regions].sort((one, other) => (
      Number(this.regions.get(other.name).written) - Number(this.regions.get(one.name).written)));
    const rows = order.map((region) => {
      const known = this.regions.get(region.name);
      const waits = known.written ? known.rows.filter((row) => row.from.includes(region.state))
        .map((row) => `${row.text} → ${row.to}`).join("; ") : "";
      const next = region.due_ns === null ? "" : span((region.due_ns - view.time_ns) / 1e9);
      const came = this.came.get(region.name);
      const by = made("span", came && performance.now() - came.at < LIT_MS ? "came" : "", came?.text ?? "");
      const value = this.values.get(region.name)?.[region.state];
      const state = made("b", "", value ? `${region.state} (${value})` : region.state);
      const cells = [region.name, state, by, span((view.time_ns - region.since_ns) / 1e9), next, waits];
      return { kind: known.written ? "" : "stock", cells };
    });
    const panel = document.getElementById("states");
    const top = panel.scrollTop;
    panel.replaceChildren(table(["region", "state", "came by", "for", "next in", "waits for"], rows, [3, 4]));
    panel.scrollTop = top;
  }

  /** The diagram of each region, once, and where it stands in it. */
  async drawDiagrams(view) {
    if (this.drawings === null) {
      this.drawings = new Map();
      const found = (await this.ask("diagrams"))?.diagrams ?? [];
      const parser = new DOMParser();
      const boxes = found.map(({ region, svg, caption }) => {
        const drawing = document.importNode(parser.parseFromString(svg, "image/svg+xml").documentElement, true);
        this.drawings.set(region, drawing);
        const box = made("div", "diagram", drawing);
        // Where it is wider than the page it is moved by the arrow keys too.
        box.tabIndex = 0;
        box.setAttribute("role", "group");
        box.setAttribute("aria-label", `Diagram of ${region}`);
        return made("div", "", made("h3", "", region), box, made("p", "caution", caption));
      });
      const none = made("p", "", "No region of the file is small enough to be drawn.");
      document.getElementById("diagrams").replaceChildren(...(boxes.length ? boxes : [none]));
    }
    for (const region of view.regions) {
      const drawing = this.drawings.get(region.name);
      if (!drawing) continue;
      const place = this.regions.get(region.name).states.indexOf(region.state);
      drawing.querySelectorAll('rect[rx="7"]').forEach((box, number) => box.classList.toggle("now", number === place));
      drawing.querySelectorAll(".fired").forEach((one) => one.remove());
      const came = this.came.get(region.name);
      if (!came || performance.now() - came.at > LIT_MS) continue;
      const labels = drawing.querySelectorAll('text[font-size="11"]');
      for (const number of came.numbers) {
        const light = document.createElementNS("http://www.w3.org/2000/svg", "rect");
        const values = { class: "fired", x: 0, y: Number(labels[number].getAttribute("y")) - 19, width: "100%", height: 30 };
        for (const [name, value] of Object.entries(values)) light.setAttribute(name, value);
        drawing.insertBefore(light, drawing.querySelector("path")); // over the stripes, under the lines
      }
    }
  }

  drawEvents() {
    const rows = this.events.map((event) => [clock(event.time_ns), event.name]);
    const list = rows.length ? table(["at", "event"], rows) : made("p", "", "No event yet.");
    document.getElementById("events").replaceChildren(list);
  }

  drawUsed(view) {
    const rows = this.gadget.consumers.map((name) => (
      [name, ampereHours(view.used_c[name]), si(view.consumers_a[name], "A")]));
    const fed = new Set(this.gadget.lights.filter((light) => light.fed_by).map((light) => light.name));
    for (const light of view.lights) {
      if (fed.has(light.name)) rows.push([`${light.name}, by USB`, "not from the cell", si(light.current_a, "A")]);
    }
    document.getElementById("used").replaceChildren(
      table(["consumer", "used since the start", "mean current now"], rows, [1, 2]));
  }

  /** Show the figures of the file, and those that are set otherwise. */
  figures({ figures, settings }) {
    this.list = figures;
    this.settings = settings;
    this.drawFigures();
  }

  drawFigures() {
    const asked = document.getElementById("filter").value.toLowerCase();
    const shown = this.list.filter((one) => `${one.key} ${one.value} ${one.origin}`.toLowerCase().includes(asked));
    document.getElementById("as-written").hidden = !Object.keys(this.settings).length;
    const narrowed = this.list.some((one) => one.left);
    const rows = shown.map((one) => {
      const field = made("input", "");
      field.value = this.settings[one.key] ?? one.value;
      field.setAttribute("aria-label", one.key);
      const doIt = () => this.change({ ...this.settings, [one.key]: field.value });
      field.onkeydown = (event) => { if (event.key === "Enter") doIt(); };
      const button = made("button", "", "Try");
      button.type = "button";
      button.setAttribute("aria-label", `try ${one.key}`);
      button.onclick = doIt;
      const value = made("span", "", field, " ", button);
      const left = narrowed ? [one.left ?? ""] : [];
      return { kind: one.key in this.settings ? "set" : "", cells: [one.key, value, one.range, one.origin, ...left] };
    });
    document.getElementById("figure-list").replaceChildren(
      table(["figure", "value", "range", "where from", ...(narrowed ? ["left by the bench log"] : [])], rows));
  }

  /** Tell what a change has moved. */
  differences(found, title) {
    const box = document.getElementById("changed");
    if (!found) {
      box.replaceChildren();
      return;
    }
    if (found.none && !found.events_left_out) {
      box.replaceChildren(made("p", "", `${title}: nothing in this course differs.`));
      return;
    }
    const rows = found.events.map((one) => [one.name, one.before ?? "–", one.after ?? "–"]);
    rows.push(...found.states.map((one) => [
      `${one.region}, ${one.from} to ${one.to}`, one.before ?? "–", one.after ?? "–"]));
    rows.push(["charge at the end", ...found.charge]);
    if (found.events_left_out) rows.push(["events: too many to be compared", "", ""]);
    if (found.more) rows.push([`and ${found.more} more`, "", ""]);
    box.replaceChildren(made("p", "", title), table(["what", "before", "now"], rows));
  }
}
