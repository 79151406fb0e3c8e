"use strict";
// The page for the stand. Every field is named TABLE.ROW.COLUMN (a lifter's TABLE.ROW.LIFTER.COLUMN); what stands in the
// fields lives in `kept.values` by that name and, through a reload, in the browser's storage.
const facts = JSON.parse(document.getElementById("facts").textContent);
const form = document.getElementById("form");
const byId = (id) => document.getElementById(id);
const fieldOf = (name) => form.elements.namedItem(name);
const kept = { values: {}, rows: Object.fromEntries([...facts.many, "lifter_checks"].map((table) => [table, table === "gauge_readings" ? 0 : 1])) };

const ahead = {}; // what the page was filled ahead with; a newer page's own goes before what an older one kept

// ---- keeping -------------------------------------------------------------------------------------------------

let waiting = 0;
const typedText = () => JSON.stringify({ ...kept, values: Object.fromEntries(Object.entries(kept.values).filter(([name, text]) => text !== ahead[name])) });
function save() {
  clearTimeout(waiting);
  waiting = 0;
  try {
    localStorage.setItem(facts.kept_as, typedText());
    byId("no-storage").hidden = true;
  } catch {
    byId("no-storage").hidden = false;
  }
}
function saveSoon() {
  if (!waiting) waiting = setTimeout(save, 200);
}
function restore() {
  try {
    const text = localStorage.getItem(facts.kept_as);
    localStorage.setItem(facts.kept_as, text ?? typedText()); // tells whether the browser keeps anything
    const before = text ? JSON.parse(text) : {};
    for (const part of ["values", "rows"]) Object.assign(kept[part], before[part]);
  } catch {
    byId("no-storage").hidden = false;
  }
}

const value = (name) => kept.values[name] ?? "";
const number = (name) => (value(name) === "" ? NaN : Number(value(name)));

/** Puts a value into a field as if it had been typed. */
function put(name, text) {
  kept.values[name] = text;
  const field = fieldOf(name);
  if (field) {
    field.value = text;
    check(field);
  }
  saveSoon();
}

// ---- fields --------------------------------------------------------------------------------------------------

/** Typed text as it is handed in: no unreadable characters; a decimal comma in a number becomes a point, in sight, where it
 * can't be a mark of thousands. */
function tidy(field) {
  if (field.type !== "text" && field.type !== "textarea") return;
  let text = field.value.toWellFormed?.() ?? field.value;
  text = text.replace(/[\u0000-\u0008\u000b-\u001f\u007f\ufffd]/g, " ").trim();
  if (field.dataset.kind === "number" && /^[+-]?\d*,\d+$/.test(text) && !/^[+-]?[1-9]\d{0,2},\d{3}$/.test(text)) text = text.replace(",", ".");
  if (text !== field.value) field.value = text;
}
function faultOf(field) {
  const text = field.value.trim();
  const { kind, low, high, past } = field.dataset;
  if (past && text.slice(0, 10) > today()) return "This day lies ahead.";
  if (!kind || text === "") return "";
  const form = kind === "whole" ? /^[+-]?\d+$/ : /^[+-]?(\d+\.?\d*|\.\d+)$/;
  if (!form.test(text)) return kind === "whole" ? "Write a whole number." : "Write a number, as in 1.5.";
  if (Number(text) < Number(low) || Number(text) > Number(high)) return `Outside the plausible range ${short(low)} to ${short(high)}: would be quarantined.`;
  return "";
}
const short = (text) => String(Number(Number(text).toPrecision(4)));
function check(field) {
  const told = byId(`${field.id}-fault`);
  if (!told) return;
  told.textContent = faultOf(field);
  told.hidden = told.textContent === "";
  field.setAttribute("aria-invalid", told.hidden ? "false" : "true");
}
function today() {
  const now = new Date();
  return new Date(now - now.getTimezoneOffset() * 60000).toISOString().slice(0, 10);
}
/** A job without a day gets this one. */
function setDay() {
  if (value("ventings.0.venting_id") !== "" && value("ventings.0.date") === "") put("ventings.0.date", today());
}
const rightNow = () => `${today()}T${new Date().toTimeString().slice(0, 5)}`;

form.addEventListener("input", (event) => {
  const field = event.target;
  if (!field.name) return;
  kept.values[field.name] = field.type === "checkbox" ? (field.checked ? "yes" : "no") : field.value;
  saveSoon();
});
form.addEventListener("change", (event) => {
  const field = event.target;
  if (!field.name) return;
  tidy(field);
  if (field.type !== "checkbox") kept.values[field.name] = field.value;
  check(field);
  saveSoon();
  setDay();
  if (/^engines\.0\.(cylinders|valves_per_cylinder|feed_order|turbocharged)$/.test(field.name)) showLifters();
  showCount();
});
form.addEventListener("submit", (event) => event.preventDefault());

// ---- rows ----------------------------------------------------------------------------------------------------

const lists = (text) => text.split(/\D+/).filter(Boolean).map(Number);

/** The engine's lifters in the order in which oil reaches them; null where the number of cylinders is not known. */
function lifters() {
  const count = number("engines.0.cylinders");
  const valves = facts.valves[value("engines.0.valves_per_cylinder") || "2"];
  if (!(count >= 1 && count <= 12) || !valves) return null;
  const every = Array.from({ length: count }, (_, n) => n + 1);
  const fed = [...new Set(lists(value("engines.0.feed_order")))].filter((n) => every.includes(n));
  return [...fed, ...every.filter((n) => !fed.includes(n))].flatMap((cylinder) => valves.map((valve) => ({ cylinder, valve, key: `${cylinder}-${valve}`, title: `Cylinder ${cylinder} ${valve.replace("_", " ")}` })));
}
function make(template, marks) {
  let text = byId(template).innerHTML;
  for (const [mark, instead] of Object.entries(marks)) text = text.replaceAll(mark, instead);
  return document.createRange().createContextualFragment(text).firstElementChild;
}
function fill(part) {
  for (const field of part.querySelectorAll("[name]")) {
    const text = kept.values[field.name];
    if (text === undefined) continue;
    if (field.type === "checkbox") field.checked = text === "yes";
    else field.value = text;
    check(field);
  }
}
function showRows(table) {
  const place = byId(`rows-${table}`);
  for (let row = place.childElementCount; row < kept.rows[table]; row++) {
    const made = make(`row-${table}`, { __ROW__: row });
    made.dataset.row = row;
    made.querySelector("[data-number]").textContent = row + 1;
    place.append(made);
    fill(made);
  }
  while (place.childElementCount > kept.rows[table]) place.lastElementChild.remove();
  if (table === "lifter_checks") showLifters();
  if (table === "starts") place.querySelectorAll(".limit").forEach((told) => (told.textContent = secondsWords()));
}
function showLifters() {
  const own = lifters();
  byId("no-grid").hidden = own !== null;
  byId("rows-lifter_checks").hidden = own === null;
  for (const check of byId("rows-lifter_checks").children) {
    const place = check.querySelector("[data-lifters]");
    place.replaceChildren(
      ...(own ?? []).map((lifter) => {
        const made = make("lifter", { __ROW__: check.dataset.row, __LIFTER__: lifter.key });
        made.querySelector("[data-number]").textContent = lifter.title;
        made.dataset.name = `lifter_checks.${check.dataset.row}`;
        made.dataset.lifter = lifter.key;
        fill(made);
        return made;
      }),
    );
  }
  form.querySelectorAll('[data-do="return-flow"]').forEach((button) => (button.hidden = value("engines.0.turbocharged") !== "yes"));
}

// ---- saying --------------------------------------------------------------------------------------------------

function say(text) {
  byId("said").textContent = text;
}
function warn(text) {
  byId("alert").textContent = text;
  navigator.vibrate?.([300, 150, 300]);
}

// ---- counter -------------------------------------------------------------------------------------------------

const place = () => value("ventings.0.rotations_counted_at");
const placeWords = () => ({ propeller: "propeller rotations", crankshaft: "crankshaft rotations", blade: "blade passes" })[place()] ?? "counts";
/** Crankshaft rotations that one count stands for; NaN where it can't be told. */
function perCount() {
  const reduction = number("engines.0.propeller_reduction");
  return { crankshaft: 1, propeller: reduction, blade: reduction / number("engines.0.propeller_blades") }[place()] ?? NaN;
}
const counts = (rotations) => Math.floor(rotations / perCount() + 1e-9);
/** Counts at which to stop: the manual's, and where to stop and look, which is never above it; NaN where there is none. */
function stops() {
  const limit = facts.job.manual.rotations_max;
  const known = limit !== undefined && !Number.isNaN(perCount());
  const manual = known ? counts(limit) : number("form.0.manual_count");
  const look = facts.job.look_at === null || Number.isNaN(manual) ? NaN : Math.min(counts(facts.job.look_at), manual);
  return { manual, look };
}
function stopWords({ manual, look }) {
  const limit = facts.job.manual.rotations_max;
  const words = [];
  if (limit !== undefined && Number.isNaN(perCount())) words.push(`The manual's limit is ${limit} crankshaft rotations; what that is in ${placeWords()} needs the propeller's reduction${place() === "blade" ? " and blades" : ""}, under "The engine".`);
  if (Number.isNaN(manual)) {
    words.push(facts.texts.no_count);
    if (facts.job.look_at !== null && !Number.isNaN(perCount())) words.push(`In these records 95 in 100 like this had pressure by ${counts(facts.job.look_at)}; this is no permission.`);
  } else {
    if (look < manual) words.push(`Stop and look at ${look} ${placeWords()}: 95 in 100 like this had pressure by then.`);
    words.push(`Stop at ${manual} ${placeWords()}, the manual's limit${facts.job.revision ? ` (${facts.job.revision})` : ""}, whatever is expected.`);
  }
  return words.join(" ");
}
function showCount() {
  if (byId("open-counter").hidden) return;
  const after = value("ventings.0.pressure_shown") === "yes";
  const ended = value("ventings.0.pressure_shown") === "no";
  const count = value(after ? "ventings.0.rotations_after_pressure" : "ventings.0.rotations") || "0";
  const at = stops();
  const stopped = !after && (Number(count) >= at.manual ? facts.texts.stop_manual : Number(count) >= at.look ? facts.texts.stop_look : "");
  byId("stop-count").textContent = stopWords(at);
  byId("own-count").hidden = facts.job.manual.rotations_max !== undefined && !Number.isNaN(perCount());
  byId("phase").textContent = after ? `${facts.texts.keep_counting} Rotations after pressure:` : ended ? "Given up at:" : `Before pressure, ${placeWords()}:`;
  byId("count").textContent = count;
  byId("reached").hidden = !stopped;
  byId("reached").textContent = stopped || "";
  for (const name of ["shown", "given-up"]) form.querySelector(`[data-do="${name}"]`).hidden = after || ended;
  form.querySelector('[data-do="turned"]').hidden = !after;
  form.querySelector('[data-do="count"]').disabled = ended;
  return stopped;
}
function countBy(step) {
  const name = value("ventings.0.pressure_shown") === "yes" ? "ventings.0.rotations_after_pressure" : "ventings.0.rotations";
  const count = Math.max(0, (number(name) || 0) + step);
  put(name, String(count));
  const before = byId("reached").textContent;
  const stopped = showCount();
  if (stopped && stopped !== before) warn(`${count}. ${stopped}`);
  else if (count % 10 === 0) say(String(count));
}

// ---- stopwatch and hold timer --------------------------------------------------------------------------------

let running = null; // { clock, begun, target, reach }: one clock at a time
function tick() {
  if (!running) return;
  const seconds = (Date.now() - running.begun) / 1000;
  running.clock.textContent = `${seconds.toFixed(1)} s`;
  if (seconds >= running.target) {
    running.target = Infinity;
    running.reach();
  }
  setTimeout(tick, 100);
}
function start(clock, target, reach) {
  running = { clock, begun: Date.now(), target: target > 0 ? target : Infinity, reach };
  tick();
}
function stopClock(clock) {
  if (!running || running.clock !== clock) return null;
  const seconds = ((Date.now() - running.begun) / 1000).toFixed(1);
  running = null;
  clock.textContent = `${seconds} s`;
  return seconds;
}
const manualSeconds = () => facts.job.manual.time_to_pressure;
const secondsWords = () => (manualSeconds() === undefined ? "Shut down at once when pressure does not show within your manual's time." : `Manual's limit ${manualSeconds()} s: shut down at once when pressure does not show by then.`);

function startEngine(row) {
  const n = row.dataset.row;
  if (value(`starts.${n}.started_at`) === "") put(`starts.${n}.started_at`, rightNow());
  row.dataset.begun = Date.now();
  start(row.querySelector(".clock"), manualSeconds(), () => warn(facts.texts.shut_down));
  say("Stopwatch runs");
}
function endStart(row, shown) {
  const seconds = stopClock(row.querySelector(".clock"));
  if (seconds === null) return say("The stopwatch does not run.");
  const n = row.dataset.row;
  put(`starts.${n}.time_to_pressure`, seconds);
  put(`starts.${n}.pressure_shown`, shown);
  if (value(`starts.${n}.reading_step`) === "") put(`starts.${n}.reading_step`, "0.5");
  say(`${seconds} seconds, ${shown === "yes" ? "pressure showed" : "shut down without pressure"}`);
}
function seeReturn(row) {
  const n = row.dataset.row;
  put(`starts.${n}.return_flow_seen`, "yes");
  if (row.dataset.begun) put(`starts.${n}.return_flow_time`, ((Date.now() - Number(row.dataset.begun)) / 1000).toFixed(1));
  say("Return flow noted");
}
function hold(button) {
  const lifter = button.closest(".lifter");
  const clock = lifter.querySelector(".clock");
  const own = `${lifter.dataset.name}.${lifter.dataset.lifter}`;
  const seconds = stopClock(clock);
  button.textContent = seconds === null ? "Release" : "Hold timer";
  if (seconds !== null) {
    if (value(`${own}.hold`) === "" && value(`${lifter.dataset.name}.hold`) === "") put(`${own}.hold`, seconds);
    return say(`Held ${seconds} seconds`);
  }
  form.querySelectorAll('[data-do="hold"]').forEach((other) => other !== button && (other.textContent = "Hold timer"));
  const target = number(`${own}.hold`) || number(`${lifter.dataset.name}.hold`) || facts.job.manual.check_hold;
  start(clock, target, () => {
    warn(`Read the gap: ${lifter.querySelector("legend").textContent}`);
    fieldOf(`${own}.gap`).focus();
  });
}

// ---- handing in ----------------------------------------------------------------------------------------------

/** The rows of one table as they are handed in, column by name; rows in which nothing was typed are left out. `from` is
 * what the names of a row's fields begin with. */
function rowsOf(table) {
  const columns = facts.tables[table].map(([name]) => name);
  const links = columns.filter((name) => facts.linked[`${table}.${name}`]);
  const made = [];
  const add = (from, keys, others = {}) => {
    const row = Object.fromEntries(columns.map((name) => [name, value(`${from}.${name}`)]));
    if (!Object.values(row).some((text) => text !== "")) return;
    for (const [name, text] of Object.entries(others)) row[name] ||= text;
    for (const name of links) row[name] = value(facts.linked[`${table}.${name}`]);
    made.push({ ...row, ...keys, from });
  };
  if (table === "engines" && !fieldOf("form.0.hand_in_engine").checked) return made;
  for (let n = 0; n < (kept.rows[table] ?? 1); n++) {
    const from = `${table}.${n}`;
    const count = facts.numbered[table] ? { [facts.numbered[table][0]]: String(n + 1) } : {};
    if (table !== "lifter_checks") add(from, count);
    else {
      const forAll = Object.fromEntries(facts.for_all.map((name) => [name, value(`${from}.${name}`)]));
      for (const { cylinder, valve, key } of lifters() ?? []) add(`${from}.${key}`, { ...count, cylinder: String(cylinder), valve }, forAll);
    }
  }
  return made;
}
const quoted = (text) => `"${text.trim().replaceAll('"', '""')}"`;
/** One table as CSV (RFC 4180, every cell quoted); "" where it has no row. */
function csvOf(table) {
  const rows = rowsOf(table);
  if (!rows.length) return "";
  const lines = [facts.tables[table].map(([, header]) => header), ...rows.map((row) => facts.tables[table].map(([name]) => row[name]))];
  return lines.map((cells) => cells.map(quoted).join(",") + "\r\n").join("");
}
/** What would be quarantined, as [field's name or "", words]. */
function problems() {
  const found = [];
  for (const field of form.querySelectorAll("[name]")) {
    if (field.id && faultOf(field)) found.push([field.name, `${titleOf(field)}: ${faultOf(field)}`]);
  }
  for (const table of Object.keys(facts.tables)) {
    for (const row of rowsOf(table)) {
      for (const name of facts.required[table].filter((column) => row[column] === "")) {
        const at = facts.linked[`${table}.${name}`] ?? `${row.from}.${name}`;
        const which = fieldOf(at)?.closest("fieldset")?.querySelector("legend").textContent;
        found.push([at, `${titleOf(fieldOf(at))}${which ? ` (${which})` : ""} is needed`]);
      }
    }
  }
  const known = new Set((lifters() ?? []).map((lifter) => lifter.key));
  const lost = Object.entries(kept.values).filter(([name, text]) => text !== "" && name.startsWith("lifter_checks.") && name.split(".").length === 4 && !known.has(name.split(".")[2]));
  if (lost.length) found.push(["engines.0.cylinders", `${lost.length} readings of lifters that the engine does not have are not handed in`]);
  return found;
}
const titleOf = (field) => form.querySelector(`label[for="${CSS.escape(field.id)}"]`)?.firstChild.textContent.trim() ?? field.name;

function handIn() {
  save();
  const found = problems();
  const told = byId("handed");
  told.replaceChildren();
  if (found.length) {
    const head = document.createElement("p");
    head.textContent = `${found.length === 1 ? "1 thing" : `${found.length} things`} to look at; intake would quarantine the row:`;
    const list = document.createElement("ul");
    for (const [name, words] of found.filter(([, w], n) => found.findIndex(([, other]) => other === w) === n)) {
      const item = document.createElement("li");
      const field = name && fieldOf(name);
      if (field) {
        const link = document.createElement("a");
        link.href = `#${field.id}`;
        link.textContent = words;
        item.append(link);
      } else item.textContent = words;
      list.append(item);
    }
    told.append(head, list);
  }
  const name = (value("ventings.0.venting_id") || "no-number").replace(/[^A-Za-z0-9]+/g, "-").slice(0, 40);
  const files = Object.keys(facts.tables).map((table) => [`${table}_${name}.csv`, csvOf(table)]).filter(([, text]) => text);
  byId("files").replaceChildren(
    ...files.map(([file, text]) => {
      const item = document.createElement("li");
      const link = document.createElement("a");
      link.href = URL.createObjectURL(new Blob(["\ufeff", text], { type: "text/csv" }));
      link.download = file;
      link.textContent = file;
      item.append(link);
      return item;
    }),
  );
  const end = document.createElement("p");
  end.textContent = files.length ? `${files.length === 1 ? "1 file" : `${files.length} files`} made. Where the browser keeps only one, tap each below.` : "Nothing is filled in yet.";
  told.append(end);
  byId("files").querySelectorAll("a").forEach((link, n) => setTimeout(() => link.click(), 300 * n));
}

// ---- paper ---------------------------------------------------------------------------------------------------

/** What is typed, onto the paper form. */
function fillPaper() {
  for (const cell of document.querySelectorAll("[data-from]")) cell.textContent = value(cell.dataset.from).replaceAll("_", " ");
  const own = lifters();
  const table = document.querySelector('[data-table="lifters"]');
  if (!own || !table) return;
  const columns = [...table.querySelectorAll("[data-column]")].map((head) => head.dataset.column);
  table.tBodies[0].replaceChildren(
    ...own.map((lifter) => {
      const row = document.createElement("tr");
      for (const text of [lifter.title, ...columns.map((name) => value(`lifter_checks.0.${lifter.key}.${name}`))]) row.insertCell().textContent = text.replaceAll("_", " ");
      return row;
    }),
  );
}

// ---- buttons -------------------------------------------------------------------------------------------------

const acts = {
  add: (button) => { kept.rows[button.dataset.table]++; showRows(button.dataset.table); save(); },
  drop: (button) => {
    const table = button.dataset.table;
    if (!kept.rows[table] || !confirm("Take the last one away, with what is typed there?")) return;
    kept.rows[table]--;
    for (const name of Object.keys(kept.values)) if (name.startsWith(`${table}.${kept.rows[table]}.`)) delete kept.values[name];
    showRows(table);
    save();
  },
  "open-counter": () => {
    const missing = !byId("gate-second").checked ? "First: a second person counts." : !place() ? 'First: choose what is counted, under "Rotations counted at".' : "";
    byId("gate-fault").textContent = missing;
    if (missing) return;
    byId("gate").hidden = true;
    byId("open-counter").hidden = false;
    showCount();
    form.querySelector('[data-do="count"]').focus();
  },
  count: () => countBy(1),
  uncount: () => countBy(-1),
  shown: () => { put("ventings.0.pressure_shown", "yes"); if (value("ventings.0.rotations") === "") put("ventings.0.rotations", "0"); showCount(); say(facts.texts.keep_counting); },
  "given-up": () => { put("ventings.0.pressure_shown", "no"); showCount(); say("Given up without pressure"); },
  turned: () => { if (value("ventings.0.rotations_after_pressure") === "") put("ventings.0.rotations_after_pressure", "0"); showCount(); say("Turning has ended"); },
  "engine-starts": (button) => startEngine(button.closest(".row")),
  "start-shown": (button) => endStart(button.closest(".row"), "yes"),
  "shut-down": (button) => endStart(button.closest(".row"), "no"),
  "return-flow": (button) => seeReturn(button.closest(".row")),
  hold,
  "hand-in": handIn,
  print: () => window.print(),
  clear: () => {
    if (!confirm("Clear everything typed here? Hand in first.")) return;
    clearTimeout(waiting);
    waiting = 0;
    cleared = true;
    try { localStorage.removeItem(facts.kept_as); } catch { /* nothing was kept */ }
    location.reload();
  },
};
let cleared = false;
form.addEventListener("click", (event) => {
  const button = event.target.closest("[data-do]");
  if (button) acts[button.dataset.do](button);
  const link = event.target.closest('a[href^="#"]');
  const part = link && byId(link.hash.slice(1));
  if (part) for (let at = part; at; at = at.parentElement) if (at.tagName === "DETAILS") at.open = true;
});
window.addEventListener("pagehide", () => { if (waiting && !cleared) save(); });
document.addEventListener("visibilitychange", () => { if (document.hidden && waiting && !cleared) save(); });
window.addEventListener("beforeprint", fillPaper);

// ---- opening -------------------------------------------------------------------------------------------------

for (const field of form.querySelectorAll("[name]")) {
  const text = field.type === "checkbox" ? (field.checked ? "yes" : "no") : field.value;
  if (text !== "") ahead[field.name] = text;
}
Object.assign(kept.values, Object.assign(ahead, facts.ahead));
restore();
fill(form);
setDay();
for (const table of Object.keys(kept.rows)) showRows(table);
document.documentElement.classList.add("running");
