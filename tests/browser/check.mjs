// Opens finished pages in headless Chromium and reports what a person would stumble over: violations of
// WCAG 2.2 A and AA found by axe-core, errors on the console, and requests to anywhere.
//
//   node check.mjs page.html ...        prints one JSON list, one entry a page; ends with 1 when one has a fault
import { readFileSync } from "node:fs";
import { createRequire } from "node:module";
import { pathToFileURL } from "node:url";
import { chromium } from "playwright-core";

const axe = readFileSync(createRequire(import.meta.url).resolve("axe-core/axe.min.js"), "utf8");
const tags = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22a", "wcag22aa"];
const browser = await chromium.launch({
  executablePath: process.env.CHROMIUM ?? "/usr/bin/chromium",
  args: ["--no-sandbox", "--disable-gpu"],
});
const told = [];
for (const file of process.argv.slice(2)) {
  const address = pathToFileURL(file).href;
  const entry = { file, violations: [], console: [], requests: [], overflow: 0, withoutScript: 0 };
  // The page's own policy forbids scripts; the checker's is let in past it.
  const context = await browser.newContext({ bypassCSP: true, viewport: { width: 1280, height: 900 } });
  const page = await context.newPage();
  page.on("console", (message) => {
    if (["error", "warning"].includes(message.type())) entry.console.push(message.text());
  });
  page.on("pageerror", (error) => entry.console.push(String(error)));
  page.on("request", (request) => {
    if (request.url() !== address && !request.url().startsWith("data:")) entry.requests.push(request.url());
  });
  await page.goto(address);
  await page.evaluate(() => document.querySelectorAll("details").forEach((part) => (part.open = true)));
  await page.evaluate(axe);
  const found = await page.evaluate((only) => axe.run(document, { runOnly: only }), tags);
  entry.violations = found.violations.map((fault) => ({
    id: fault.id,
    impact: fault.impact,
    nodes: fault.nodes.slice(0, 3).map((node) => node.html.slice(0, 200)),
    count: fault.nodes.length,
  }));
  for (const width of [1280, 390]) {
    await page.setViewportSize({ width, height: 900 });
    const over = await page.evaluate(() => document.documentElement.scrollWidth - window.innerWidth);
    entry.overflow = Math.max(entry.overflow, over);
  }
  await context.close();
  // As a reader has it: policy in force, scripts off.
  const plain = await browser.newContext({ javaScriptEnabled: false });
  const quiet = await plain.newPage();
  quiet.on("console", (message) => entry.console.push(message.text()));
  quiet.on("request", (request) => {
    if (request.url() !== address && !request.url().startsWith("data:")) entry.requests.push(request.url());
  });
  await quiet.goto(address);
  entry.withoutScript = (await quiet.locator("main").innerText()).length;
  await plain.close();
  told.push(entry);
}
await browser.close();
console.log(JSON.stringify(told, null, 1));
const bad = (entry) => entry.violations.length || entry.console.length || entry.requests.length || entry.overflow > 0;
process.exit(told.some(bad) ? 1 : 0);
