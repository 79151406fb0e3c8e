// Works a form page in headless Chromium, its policy in force, as the commands on standard input say.
//
//   node form.mjs page.html < commands.json      [["open", {...}], ["type", name, text], ...]; prints one JSON list of answers
import { readFileSync } from "node:fs";
import { createRequire } from "node:module";
import { join } from "node:path";
import { pathToFileURL } from "node:url";
import { chromium } from "playwright-core";

const axe = readFileSync(createRequire(import.meta.url).resolve("axe-core/axe.min.js"), "utf8");
const tags = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22a", "wcag22aa"];
const address = pathToFileURL(process.argv[2]).href;
const browser = await chromium.launch({ executablePath: process.env.CHROMIUM ?? "/usr/bin/chromium", args: ["--no-sandbox", "--disable-gpu"] });
let page = null;
let heard = [];

/** In the page: empties the form, fills it in by its fields as a person does, and gives what each table would hand in. */
function workThrough(fillings) {
  const all = [];
  for (const { rows, values } of fillings) {
    for (const name of Object.keys(kept.values)) delete kept.values[name];
    Object.assign(kept.rows, rows);
    form.reset();
    for (const table of Object.keys(rows)) {
      byId(`rows-${table}`).replaceChildren();
      showRows(table);
    }
    const missing = [];
    for (const [name, text] of values) {
      const field = fieldOf(name);
      if (!field) {
        missing.push(name);
        continue;
      }
      field.value = text;
      field.dispatchEvent(new Event("input", { bubbles: true }));
      field.dispatchEvent(new Event("change", { bubbles: true }));
    }
    const files = Object.fromEntries(Object.keys(facts.tables).map((table) => [table, csvOf(table)]).filter(([, text]) => text));
    all.push({ files, missing, problems: problems() });
  }
  return all;
}

const field = (name) => page.locator(`[name="${name}"]`);
const verbs = {
  async open({ width = 820, scheme = "light", script = true, storage = true, policy = true } = {}) {
    const context = await browser.newContext({ viewport: { width, height: 900 }, colorScheme: scheme, javaScriptEnabled: script, bypassCSP: !policy });
    if (!storage) await context.addInitScript(() => Object.defineProperty(window, "localStorage", { get: () => { throw new Error("kept out"); } }));
    page = await context.newPage();
    page.on("console", (message) => heard.push(message.text()));
    page.on("pageerror", (error) => heard.push(String(error)));
    page.on("request", (request) => { if (request.url() !== page.url() && request.url() !== address && !/^(data|blob):/.test(request.url())) heard.push(request.url()); });
    page.on("dialog", (dialog) => dialog.accept());
    await page.goto(address);
    if (script) await page.evaluate(() => document.querySelectorAll("details").forEach((part) => (part.open = true)));
  },
  go: (path) => page.goto(pathToFileURL(path).href).then(() => null),
  reload: () => page.reload().then(() => null),
  type: (name, text) => field(name).fill(text).then(() => field(name).blur()),
  choose: (name, text) => field(name).selectOption(text),
  click: (selector, times = 1) => page.evaluate(([s, n]) => { for (let k = 0; k < n; k++) document.querySelector(s).click(); }, [selector, times]),
  async keys(...keys) { for (const key of keys) await (key.startsWith("=") ? page.keyboard.type(key.slice(1)) : page.keyboard.press(key)); },
  async tab(selector, most = 400) { // by the tabulator alone
    for (let n = 0; n < most; n++) {
      if (await page.evaluate((s) => document.activeElement.matches(s), selector)) return n;
      await page.keyboard.press("Tab");
    }
    throw new Error(`${selector} not reached`);
  },
  text: (selector) => page.locator(selector).first().innerText(),
  seen: (selector) => page.locator(selector).first().isVisible(),
  value: (name) => field(name).inputValue(),
  names: () => page.evaluate(() => [...document.querySelectorAll("[name]")].map((own) => own.name)),
  wait: (ms) => page.waitForTimeout(ms),
  fillings: (list) => page.evaluate(workThrough, list),
  async download(folder) {
    const saved = [];
    const keep = (download) => saved.push(download.saveAs(join(folder, download.suggestedFilename())).then(() => download.suggestedFilename()));
    page.on("download", keep);
    await page.locator('[data-do="hand-in"]').click();
    await page.waitForTimeout(2500);
    return Promise.all(saved);
  },
  pdf: (path) => page.pdf({ path, format: "A4" }).then(() => path),
  async axe() {
    await page.evaluate(axe);
    const found = await page.evaluate((only) => axe.run(document, { runOnly: only }), tags);
    return found.violations.map((fault) => [fault.id, fault.nodes.slice(0, 3).map((node) => node.html.slice(0, 200))]);
  },
  overflow: () => page.evaluate(() => document.documentElement.scrollWidth - window.innerWidth),
  heard: () => heard.splice(0),
};
const answers = [];
for (const [verb, ...words] of JSON.parse(readFileSync(0, "utf8"))) answers.push((await verbs[verb](...words)) ?? null);
await browser.close();
console.log(JSON.stringify(answers));
