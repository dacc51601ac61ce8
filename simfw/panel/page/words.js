// Numbers and times in words. No state, no page: everything here is a function of its arguments.

const PREFIXES = [[1, ""], [1e-3, "m"], [1e-6, "µ"], [1e-9, "n"]];

/** A number of `digits` significant digits, without an exponent. */
export function digits(value, count) {
  if (value === 0) return "0";
  const rounded = Number(value.toPrecision(count));
  const places = Math.max(0, count - 1 - Math.floor(Math.log10(Math.abs(rounded))));
  return rounded.toFixed(Math.min(places, 12));
}

/** "12.3 mA": a quantity with its unit, three digits. */
export function si(value, unit, count = 3) {
  if (value === null || !Number.isFinite(value)) return "–";
  if (Math.abs(value) < 5e-13) return `0 ${unit}`;
  for (const [size, prefix] of PREFIXES) {
    if (Math.abs(value) >= size * 0.9995) return `${digits(value / size, count)} ${prefix}${unit}`;
  }
  return `${digits(value / 1e-9, count)} n${unit}`;
}

export const percent = (share, count = 3) => `${digits(share * 100, count)} %`;

/** A charge in ampere-hours, as a ledger tells it. */
export const ampereHours = (coulomb) => si(coulomb / 3600, "Ah");

const UNITS = [[86400, "day"], [3600, "h"], [60, "min"]];

/** A length of time: "350 ms", "2.02 s", "1 h 5 min". */
export function span(seconds) {
  if (seconds < 0.9995) return `${Math.round(seconds * 1000)} ms`;
  if (seconds < 60) return `${seconds < 10 ? seconds.toFixed(2) : seconds.toFixed(1)} s`;
  const words = [];
  let rest = Math.floor(seconds);
  for (const [size, name] of UNITS) {
    const count = Math.floor(rest / size);
    rest -= count * size;
    if (count) words.push(`${count} ${name}${name === "day" && count > 1 ? "s" : ""}`);
  }
  if (rest) words.push(`${rest} s`);
  return words.slice(0, 2).join(" ");
}

/** The time on the bench, with its days, to the millisecond. */
export function clock(ns) {
  const ms = Math.floor(ns / 1e6);
  const two = (value) => String(value).padStart(2, "0");
  const days = Math.floor(ms / 86400000);
  const rest = ms - days * 86400000;
  const text = `${Math.floor(rest / 3600000)}:${two(Math.floor(rest / 60000) % 60)}:` +
    `${two(Math.floor(rest / 1000) % 60)}.${String(rest % 1000).padStart(3, "0")}`;
  return days ? `${days} d ${text}` : text;
}

/** How long a rough time is, in its largest unit: "6.6 h". */
export function rough(seconds) {
  if (seconds === null || !Number.isFinite(seconds)) return "no end";
  const units = [[31557600, "years"], [86400, "days"], [3600, "h"], [60, "min"], [1, "s"]];
  for (const [size, name] of units) {
    if (seconds >= size * (name === "years" ? 2 : 1)) return `${digits(seconds / size, 3)} ${name}`;
  }
  return `${digits(seconds, 2)} s`;
}

/** A new element with a class and text or children. */
export function made(tag, kind, ...inside) {
  const element = document.createElement(tag);
  if (kind) element.className = kind;
  element.append(...inside);
  return element;
}

/** A table with a head. Each row is a list of texts or elements; `right` are numbers of columns. */
export function table(head, rows, right = []) {
  const cell = (tag, value, column) => {
    const found = made(tag, right.includes(column) ? "number" : "", value);
    if (tag === "th") found.scope = "col";
    return found;
  };
  const body = made("tbody", "", ...rows.map((row) => {
    const line = made("tr", row.kind ?? "");
    line.append(...(row.cells ?? row).map((value, column) => cell("td", value, column)));
    return line;
  }));
  const top = made("tr", "", ...head.map((value, column) => cell("th", value, column)));
  return made("table", "", made("thead", "", top), body);
}
