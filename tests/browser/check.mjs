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
  // At a desk in both schemes, and on a phone.
  for (const [width, height, colorScheme] of [[1280, 900, "light"], [1280, 900, "dark"], [390, 844, "light"]]) {
    await page.setViewportSize({ width, height });
    await page.emulateMedia({ colorScheme });
    const found = await page.evaluate((only) => axe.run(document, { runOnly: only }), tags);
    entry.violations.push(...found.violations.map((fault) => ({
      id: fault.id,
      impact: fault.impact,
      at: `${width} ${colorScheme}`,
      nodes: fault.nodes.slice(0, 3).map((node) => node.html.slice(0, 200)),
      count: fault.nodes.length,
    })));
  }
  for (const [width, height] of [[1280, 900], [390, 844]]) {
    await page.setViewportSize({ width, height });
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
  // Where things stand as the page opens, nothing unfolded.
  const fresh = await browser.newContext({ bypassCSP: true });
  const opened = await fresh.newPage();
  await opened.goto(address);
  entry.layout = {};
  for (const [width, height] of [[1280, 900], [390, 844]]) {
    await opened.setViewportSize({ width, height });
    entry.layout[width] = await opened.evaluate(() => {
      const top = (name) => {
        const seen = [...document.querySelectorAll(name)].filter((part) => part.checkVisibility());
        return seen.length ? Math.round(seen[0].getBoundingClientRect().top) : null;
      };
      const pictures = [...document.querySelectorAll("figure img")];
      const wide = [...document.querySelectorAll(".vb-scroll")].filter((frame) => frame.scrollWidth > frame.clientWidth + 1);
      const cells = wide.flatMap((frame) => [...frame.querySelectorAll("tr > :first-child:not([colspan])")]);
      return {
        answer: top(".vb-answer"),
        todo: top(".vb-todo"),
        picture: top("#figure-lead img"),
        contents: top("nav"),
        folded: top(".vb-contents"),
        smallest: Math.min(1, ...pictures.map((image) => image.clientWidth / image.naturalWidth)),
        loose: cells.filter((cell) => getComputedStyle(cell).position !== "sticky").length,
        widest: Math.max(0, ...cells.map((cell) => cell.getBoundingClientRect().width)),
      };
    });
  }
  await fresh.close();
  told.push(entry);
}
await browser.close();
console.log(JSON.stringify(told, null, 1));
const bad = (entry) => entry.violations.length || entry.console.length || entry.requests.length || entry.overflow > 0;
process.exit(told.some(bad) ? 1 : 0);
