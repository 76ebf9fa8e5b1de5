// SPDX-License-Identifier: GPL-3.0-or-later
// Draw the view that /events brings once a second. All that comes from the boat is set as text,
// never as markup. Ages are seconds back from the boat's answer: no clock is compared.
"use strict";

const SILENCE_MS = 1800;  // without an event for so long, the page says that it is not live
const LATE_MS = 1800;     // an event that has waited on the way for so long is not live either
const HISTORY_MS = 60000, AGAIN_MS = 5000;  // between two questions, and after a failed one
const $ = (id) => document.getElementById(id);

let heardAt = -Infinity;  // when the last event came
let leastDelay = Infinity;
let late = false;
let view = null;
let past = null;          // what the boat remembers
let askedAt = -Infinity;
let source = null;

function make(tag, name, parent) {
  const made = document.createElement(tag);
  if (name) made.className = name;
  if (parent) parent.append(made);
  return made;
}

function set(node, text) {
  if (node.textContent !== text) node.textContent = text;
}

function mark(node, name, value) {
  if (value === null) node.removeAttribute(name);
  else if (node.getAttribute(name) !== value) node.setAttribute(name, value);
}

// Keep one row for each key, in order. A row that is there is changed, so that focus and a screen
// reader's place in it stay.
function rows(list, items, key, tag, build, fill) {
  const there = new Map([...list.children].map((row) => [row.dataset.key, row]));
  items.forEach((item, index) => {
    let row = there.get(key(item));
    there.delete(key(item));
    if (!row) {
      row = make(tag);
      row.dataset.key = key(item);
      build(row);
    }
    if (list.children[index] !== row) list.insertBefore(row, list.children[index] || null);
    fill(row, item);
  });
  for (const row of there.values()) row.remove();
}

function duration(seconds) {
  for (const [unit, size] of [["day", 86400], ["h", 3600], ["min", 60]]) {
    if (seconds >= size) {
      const count = Math.floor(seconds / size);
      return `${count} ${unit}${unit === "day" && count > 1 ? "s" : ""}`;
    }
  }
  return `${Math.max(0, Math.floor(seconds))} s`;
}

function ago(seconds) {
  return seconds < 1.5 ? "now" : `${duration(seconds)} ago`;
}

function drawVerdict() {
  const { verdict, issues } = view;
  mark($("verdict"), "data-level", verdict.level);
  set($("said"), verdict.text);
  set($("action"), verdict.action);
  const age = ({ since }) => (since === null ? "" : `Last heard ${ago(since)}.`);
  const own = issues.find((issue) => issue.text === verdict.text);
  set($("since"), own ? age(own) : "");
  rows($("issues"), issues.filter((issue) => issue !== own), (issue) => issue.text, "li", (row) => {
    for (const tag of ["b", "span", "small"]) {
      make(tag, "", row);
      row.append(" ");
    }
  }, (row, issue) => {
    [issue.text, issue.action, age(issue)].forEach((text, n) => set(row.children[n], text));
  });
}

function drawValues(live) {
  rows($("values"), view.values, (value) => value.key, "li", (row) => {
    make("span", "what", row);
    make("span", "number", row);
    make("small", "from", row);
    make("span", "unit", row);
  }, (row, value) => {
    const [what, number, from, unit] = row.children;
    const shown = live && (value.state === "fresh" || value.state === "late");
    mark(row, "data-state", shown ? value.state : "none");
    set(what, value.name);
    number.classList.toggle("two", shown && value.text.length > 1);
    const lines = shown ? value.text : ["\u2013"];
    if (number.dataset.text !== lines.join("\n")) {
      number.dataset.text = lines.join("\n");
      number.replaceChildren(...lines.flatMap((line, n) => (n ? [make("br"), line] : [line])));
    }
    set(unit, shown ? value.unit : "");
    while (from.children.length < 1) { from.append("from "); make("bdi", "", from); from.append(""); }
    set(from.children[0], value.source);
    const text = live ? told(value) : ", not live";
    if (from.lastChild.nodeValue !== text) from.lastChild.nodeValue = text;
  });
}

function told(value) {
  const old = [...value.text, value.unit].join(" ").trim();
  switch (value.state) {
    case "never": return ", not heard yet";
    case "void": return `, which has no valid value, ${ago(value.age)}`;
    case "old": return `, last ${ago(value.age)}: ${old}`;
    case "late": return `, late: ${ago(value.age)}`;
    default: return `, ${ago(value.age)}`;
  }
}

const WORDS = {
  heard: "heard", silent: "silent", garbled: "cannot be read", absent: "unplugged",
  paused: "lent to a survey", waiting: "waiting", quiet: "only listens", unknown: "not known",
};
const BAD = ["silent", "garbled", "absent"];

const SVG = "http://www.w3.org/2000/svg";

function drawing(name, box, parent) {
  const drawn = document.createElementNS(SVG, "svg");
  if (name) drawn.setAttribute("class", name);
  drawn.setAttribute("viewBox", box);
  drawn.setAttribute("preserveAspectRatio", "none");
  parent.append(drawn);
  return drawn;
}

function drawLinks(live) {
  rows($("links"), view.links, (link) => link.name, "li", (row) => {
    const line = make("div", "name", row);
    make("bdi", "", line);
    make("span", "status", line);
    const drawn = drawing("", "0 0 60 10", row);
    drawn.setAttribute("role", "img");
    drawn.append(document.createElementNS(SVG, "path"));
    make("p", "note", row);
  }, (row, link) => {
    const [name, status] = row.children[0].children;
    const known = live ? link.status : "unknown";
    set(name, link.name);
    const since = BAD.includes(known) && link.last_heard !== null ? `, last ${ago(link.last_heard)}` : "";
    set(status, WORDS[known] + since);
    mark(row, "data-bad", BAD.includes(known) ? "" : null);
    const minute = live ? link.minute : [];
    const most = Math.max(1, ...minute);
    const path = minute.map((count, second) => {
      const height = count ? 3 + 7 * count / most : 0;
      return count ? `M${second + .1} 10h.8v-${height.toFixed(1)}h-.8z` : "";
    }).join("");
    mark(row.children[1].firstChild, "d", path);
    const seconds = minute.filter((count) => count).length;
    mark(row.children[1], "aria-label", `heard in ${seconds} of the last 60 seconds`);
    set(row.children[2], live ? detail(link) : link.plug);
  });
}

function detail(link) {
  const rates = link.rates.map(({ formatter, heard, wanted }) =>
    `${formatter} ${Math.round(heard * 10) / 10}${wanted === null ? "" : ` of ${wanted}`}`);
  const parts = rates.length ? [`${rates.join(", ")} a second`] : [];
  if (link.load !== null && link.baud) parts.push(`line ${Math.round(link.load)} % full at ${link.baud} baud`);
  if (link.listens.length) parts.push(`is sent ${link.listens.join(", ")}`);
  if (link.errors) parts.push(`${link.errors} faulty`);
  parts.push(link.plug);
  return parts.join(" \u00b7 ");
}

function pairs(list, items) {
  rows(list, items, ([name]) => name, "div", (row) => {
    make("bdi", "", make("dt", "", row));
    make("bdi", "", make("dd", "", row));
  }, (row, [name, text, level]) => {
    set(row.children[0].firstChild, name);
    set(row.children[1].firstChild, text);
    mark(row, "data-level", level || "ok");
  });
}

function drawRest(live) {
  const { steering, tablets, computer, connect } = view;
  set($("steers"), steering.text);
  $("steering").hidden = !steering.link;
  set($("rule"), steering.rule);
  set($("refused"), steering.refused ? `Refused so far: ${steering.refused} sentences.` : "");
  pairs($("computer"), live ? computer.map((line) => [line.name, line.text, line.level]) : []);
  $("others").hidden = !tablets.length || !live;
  pairs($("tablets"), tablets.map(({ name, connections }) => [name, connections ? "reads" : "does not"]));
  pairs($("connect"), [
    ["Wi-Fi", connect.ssid], ...(connect.pass_phrase ? [["Pass-phrase", connect.pass_phrase]] : []),
    ["Feed", `TCP, ${connect.address}, port ${connect.port}`], ["This page", connect.page],
  ]);
  $("codes").hidden = !connect.codes.length;
  rows($("pictures"), connect.codes, (code) => code, "figure", (row) => {
    const image = make("img", "", row);
    make("figcaption", "", row);
    image.alt = "";
  }, (row, code) => {
    mark(row.children[0], "src", `/${code}.svg`);
    set(row.children[1], code === "wifi" ? "joins the Wi-Fi" : "opens this page");
  });
}

function drawCharts(live) {
  const { charts } = view;
  $("charts").hidden = !charts || !live;
  if (!charts) return;
  set($("copied"), charts.text);
  $("share").hidden = charts.share === null;
  if (charts.share !== null) $("share").value = charts.share;
  rows($("left"), charts.left_out, (line) => line, "li", (row) => make("bdi", "", row),
    (row, line) => set(row.firstChild, line));
  mark($("listed"), "href", charts.address);
}

// What the boat remembers comes once a minute. The text beside each plot says what is drawn.
function drawHistory() {
  set($("kept"), past.text);
  rows($("concerns"), past.concerns, (concern) => concern.text, "li", (row) => {
    make("b", "", row);
    row.append(" ");
    make("span", "", row);
  }, (row, concern) => {
    set(row.children[0], concern.text);
    set(row.children[1], concern.action);
  });
  rows($("periods"), past.periods, (period) => period.name, "div", (row) => {
    make("h3", "", row);
    make("ul", "", row);
  }, (row, period) => {
    set(row.children[0], period.name);
    drawPlots(row.children[1], period);
  });
}

function drawPlots(list, { bins, plots }) {
  rows(list, plots, (plot) => plot.name, "li", (row) => {
    const line = make("div", "name", row);
    make("bdi", "", line);
    make("span", "", line);
    const drawn = drawing("plot", `0 0 ${bins} 20`, row);
    drawn.setAttribute("aria-hidden", "true");
    for (const kind of ["on", "drawn"]) {
      const path = document.createElementNS(SVG, "path");
      path.setAttribute("class", kind);
      drawn.append(path);
    }
  }, (row, plot) => {
    const [name, text] = row.children[0].children;
    set(name, plot.name);
    set(text, plot.text);
    mark(row.children[1].children[0], "d", plot.on);
    mark(row.children[1].children[1], "d", plot.drawn);
  });
}

async function remember() {
  if (performance.now() - askedAt < HISTORY_MS) return;
  askedAt = performance.now();
  try {
    past = await (await fetch("/history.json")).json();
    drawHistory();
  } catch { askedAt += AGAIN_MS - HISTORY_MS; }
}

function draw() {
  const silent = performance.now() - heardAt;
  const reached = silent < SILENCE_MS && !late;
  const live = reached && view !== null && view.live;
  $("history").hidden = !reached || past === null;
  if (reached) remember();
  document.body.dataset.live = live ? "yes" : "no";
  if (view === null) return;
  set($("boat"), view.boat);
  document.title = `${view.boat}, ${view.caution}`;
  set($("live"), live ? "live" : reached ? "not live: the feed does not answer"
    : late && silent < SILENCE_MS ? "not live: the Wi-Fi is slow"
    : `not live: no answer for ${duration(silent / 1000)}`);
  drawVerdict();
  $("verdict").style.display = reached ? "block" : "";
  drawValues(live);
  drawLinks(live);
  drawRest(live);
  drawCharts(live);
}

function take(event) {
  const now = performance.now();
  view = JSON.parse(event.data);
  // The boat's own clock runs beside ours. What has waited on the way comes later than the first.
  const delay = now - 1000 * view.tick;
  leastDelay = Math.min(leastDelay, delay);
  late = delay - leastDelay > LATE_MS;
  heardAt = now;
  draw();
}

function connect() {
  if (source) source.close();
  leastDelay = Infinity;
  source = new EventSource("/events");
  source.onopen = () => { leastDelay = Infinity; };
  source.onmessage = take;
}

function setLight(night) {
  document.documentElement.dataset.light = night ? "night" : "day";
  $("light").setAttribute("aria-pressed", String(night));
  set($("light"), night ? "Day" : "Night");
  try { localStorage.setItem("light", night ? "night" : "day"); } catch { /* not kept */ }
}

let kept = null;
try { kept = localStorage.getItem("light"); } catch { /* nothing is kept */ }
setLight(kept === "night");
$("light").addEventListener("click", () => setLight(document.documentElement.dataset.light !== "night"));

// A tablet whose screen was off has heard nothing: say so first, then ask again.
document.addEventListener("visibilitychange", () => {
  if (document.visibilityState !== "visible") return;
  draw();
  if (performance.now() - heardAt > SILENCE_MS) connect();
});
setInterval(() => {
  draw();
  if (source.readyState === EventSource.CLOSED) connect();
}, 250);
connect();
