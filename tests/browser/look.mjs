// Opens a page in headless Chromium with the network off, looks at it as a person would, and prints what it saw
// as JSON. Arguments: the browser, the page, a folder for pictures and printed pages.
import { readFileSync } from "node:fs";
import { createRequire } from "node:module";
import { join } from "node:path";
import { pathToFileURL } from "node:url";
import puppeteer from "puppeteer-core";

const [executablePath, file, folder] = process.argv.slice(2);
const axe = readFileSync(createRequire(import.meta.url).resolve("axe-core/axe.min.js"), "utf8");
const args = ["--no-sandbox", "--use-angle=swiftshader", "--enable-unsafe-swiftshader", "--disable-gpu-sandbox"];
const browser = await puppeteer.launch({ executablePath, args, headless: true });
const seen = { messages: [], requests: [], widths: {}, axe: {}, words: {} };

const page = await browser.newPage();
page.on("console", (message) => {
  if (["error", "warn"].includes(message.type())) seen.messages.push(message.text());
});
page.on("pageerror", (error) => seen.messages.push(error.message));
page.on("request", (request) => seen.requests.push(request.url().slice(0, 200)));
await page.setOfflineMode(true);

const frames = () => page.evaluate(() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done))));
const open = async (width, height, phone) => {
  await page.setViewport({ width, height, deviceScaleFactor: 1, isMobile: phone, hasTouch: phone });
  await page.goto(pathToFileURL(file), { waitUntil: "load" });
  await frames();
};
const canvas = () => page.$("#view-canvas");
const picture = async (name) => {
  await frames();
  await (await canvas()).screenshot({ path: join(folder, `${name}.png`) });
};
const faults = async () => {
  await page.evaluate(axe);
  const found = await page.evaluate(() => axe.run(document));
  return found.violations.map(({ id, impact, help, nodes }) => ({ id, impact, help, where: nodes[0].html }));
};
const width = () => page.evaluate(() => [document.documentElement.scrollWidth, window.innerWidth]);
// Moves on by the Tab key, as somebody without a mouse does, until an element is reached.
const tabTo = async (selector) => {
  for (let step = 0; step < 40; step++) {
    if (await page.evaluate((wanted) => document.activeElement.matches(wanted), selector)) return true;
    await page.keyboard.press("Tab");
  }
  return false;
};

// at a desk
await open(1200, 900, false);
seen.widths.desk = await width();
seen.axe.desk = await faults();
if (await canvas()) {
  await picture("view");
  seen.words.reached = await tabTo("#view-canvas");
  for (let press = 0; press < 3; press++) await page.keyboard.press("ArrowLeft");
  await picture("turned");
  await page.keyboard.press("Home");
  await picture("back");
  seen.words.colours = await tabTo("input[name=view-colours]");
  await page.keyboard.press("ArrowRight");
  await picture("deviation");
  seen.words.scale = await page.evaluate(() => document.getElementById("view-scale").innerText);
  seen.axe.deviation = await faults();
  seen.words.slider = await tabTo("#view-stage");
  await page.keyboard.press("Home");
  await picture("first");
  seen.words.stage = await page.evaluate(() => document.getElementById("view-stage-name").textContent);
  await page.click("button[data-way=above]");
  await picture("above");
}

// at the machine, on a phone
for (const narrow of [320, 360, 414]) {
  await open(narrow, 740, true);
  seen.widths[narrow] = await width();
}
seen.axe.phone = await faults();

// on paper
await open(1200, 900, false);
for (const format of ["A4", "Letter"]) await page.pdf({ path: join(folder, `${format}.pdf`), format });
await browser.close();
process.stdout.write(JSON.stringify(seen));
