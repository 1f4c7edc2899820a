// The hub's pages in a real browser: accessibility (axe-core, rules of WCAG 2.2 A and AA), tab order, visible focus,
// no script, no sideways scrolling, valid HTML; so too what they refuse. A hub named `unjudged` has no judgement to show.
// usage: node pages.mjs NAME URL ADMIN-TOKEN TECHNICIAN-TOKEN [FOLDER FOR SCREENSHOTS]
import { readFileSync } from "node:fs";
import { createRequire } from "node:module";
import { chromium } from "playwright-core";
import { HtmlValidate } from "html-validate";
import { refusals } from "./refusals.mjs";
import { deeds } from "./deeds.mjs";

const [name, url, token, technicianToken, shots] = process.argv.slice(2);
const isJudged = name !== "unjudged";
// Three laptops look otherwise than many; what they refuse is the same.
const isSmall = name === "three";
const axeSource = readFileSync(createRequire(import.meta.url).resolve("axe-core/axe.min.js"), "utf8");
const TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"];
// WCAG 1.4.10: no sideways scrolling at 320 px; 1.4.4: text at 200 %.
const MODES = [
  { mode: "light", page: { colorScheme: "light", viewport: { width: 1280, height: 900 } } },
  { mode: "dark", page: { colorScheme: "dark", viewport: { width: 1280, height: 900 } } },
  { mode: "320px", page: { colorScheme: "light", viewport: { width: 320, height: 800 } } },
  { mode: "text200", page: { colorScheme: "light", viewport: { width: 1280, height: 900 } }, css: "html{font-size:200%}" },
  { mode: "forced", page: { forcedColors: "active", viewport: { width: 1280, height: 900 } } },
];
const validator = new HtmlValidate({
  extends: ["html-validate:standard"],
  // Style, not validity: void elements and attribute quotes are the template's affair.
  rules: { "void-style": "off", "no-inline-style": "error", "long-title": "off", "no-trailing-whitespace": "off", "attribute-boolean-style": "off" },
});
const complaints = [];
const complain = (where, what) => { complaints.push(`${where}: ${what}`); };

async function validate(where, html) {
  const report = await validator.validateString(html, where);
  for (const result of report.results) for (const m of result.messages) complain(`${where} HTML ${m.line}:${m.column}`, `${m.message} (${m.ruleId})`);
}

const browser = await chromium.launch({
  executablePath: process.env.CHROMIUM ?? "/usr/bin/chromium",
  args: ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking", "--disable-component-update", "--disable-sync"],
});

// A context for tests that inject axe (the policy lets no script in, so it is bypassed there) and one as a reader has it.
async function signedIn(options, as = token) {
  const context = await browser.newContext(options);
  const page = await context.newPage();
  await page.goto(`${url}/sign-in`);
  await page.fill("#token", as);
  await Promise.all([page.waitForURL(`${url}/`), page.press("#token", "Enter")]);
  return { context, page };
}

// The fleet is judged some seconds after the hub's start; until then the pages say so with 503.
for (let i = 0; i < 60 && isJudged; i += 1) {
  const { context, page } = await signedIn({});
  const judged = (await page.goto(`${url}/`)).status() === 200;
  await context.close();
  if (judged) break;
  await new Promise((resolve) => { setTimeout(resolve, 1000); });
}

// The pages to visit, found by following links as a reader would; with script off.
const { context: plain, page: reader } = await signedIn({ javaScriptEnabled: false });
async function linksOf(path, pattern) {
  const html = await (await plain.request.get(url + path, { headers: { accept: "text/html" } })).text();
  return [...html.matchAll(/href="([^"]+)"/g)].map((m) => m[1].replaceAll("&amp;", "&")).filter((h) => pattern.test(h));
}
const first = (list) => list.slice(0, 1);
const visited = isSmall ? [
  "/", "/models", "/rounds", "/places", "/audit",
  ...first(await linksOf("/", /^\/laptops\/[^/]+$/)), ...first(await linksOf("/models", /^\/models\/.+/)), ...first(await linksOf("/places", /^\/places\/tag\?/)),
] : !isJudged ? ["/", "/models", "/laptops/some", "/rounds", "/audit", "/places", "/roles"] : [
  "/", "/models", "/no-such-page", "/?find=nothing+fits+this",
  ...first(await linksOf("/", /^\/laptops\/[^/]+$/)), ...first(await linksOf("/models", /^\/models\/.+/)),
  ...(await linksOf("/", /^\/(rounds|audit|places|roles)$/)), ...first(await linksOf("/places", /^\/places\/tag\?/)),
  "/rounds/costs", "/rounds/find", "/rounds/find?q=no+such+tag", ...first(await linksOf("/rounds", /^\/rounds\/sheet\?/)), ...first(await linksOf("/rounds", /^\/rounds\/laptops\//)),
];
// What needs no judgement.
const UNJUDGED_TOO = ["/rounds", "/audit", "/roles"];
for (const path of new Set(visited)) {
  const answer = await plain.request.get(url + path, { headers: { accept: "text/html" } });
  const expected = path === "/no-such-page" ? 404 : isJudged || UNJUDGED_TOO.includes(path) ? 200 : 503;
  if (answer.status() !== expected) complain(path, `status ${answer.status()}, not ${expected}`);
  const policy = answer.headers()["content-security-policy"] ?? "";
  if (!policy.startsWith("default-src 'none'") || policy.includes("unsafe")) complain(path, `policy: ${policy}`);
  await validate(path, await answer.text());
}
await reader.goto(`${url}/`);
if (isJudged && (await reader.locator("h1").innerText()) !== "Service list") complain("/", "no service list without script");
// An export as the hub gave it out, then with one byte of its first table altered: behind the zip's own header, name and
// extra field, which hold nothing that anybody reads.
const given = isJudged ? await (await plain.request.get(`${url}/v1/exports/audit`)).body() : Buffer.alloc(0);
const altered = Buffer.from(given);
if (isJudged) altered[30 + altered.readUInt16LE(26) + altered.readUInt16LE(28) + 100] ^= 1;
await plain.close();
const refused = isJudged && !isSmall ? refusals(url, visited.find((path) => path.startsWith("/laptops/")), altered) : [];

let n_axe = 0;
// The page as it stands now, in a mode.
async function look(page, where, file, mode, css) {
  if (css) await page.addStyleTag({ content: css });
  await page.evaluate(axeSource);
  const found = await page.evaluate((tags) => globalThis.axe.run(document, { runOnly: { type: "tag", values: tags } }), TAGS);
  n_axe += 1;
  for (const v of found.violations) complain(`${where} ${mode}`, `${v.id}: ${v.nodes.slice(0, 3).map((n) => n.html.slice(0, 120)).join(" | ")}`);
  const over = await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth);
  if (over > 0) complain(`${where} ${mode}`, `scrolls sideways by ${over} px`);
  if (shots) await page.screenshot({ path: `${shots}/${name}-${file}-${mode}.png`, fullPage: true });
}
for (const { mode, page: options, css } of MODES) {
  const { context, page } = await signedIn({ ...options, bypassCSP: true });
  for (const path of [...new Set(visited), "/sign-in"]) {
    await page.goto(url + path);
    const file = path.replace(/[^a-z]+/gi, "-").replace(/^-|-$/g, "").slice(0, 24) || "list";
    await look(page, path, file, mode, css);
  }
  const technician = await signedIn({ ...options, bypassCSP: true }, technicianToken);
  const nobody = await browser.newContext({ ...options, bypassCSP: true });
  const people = { admin: page, technician: technician.page, nobody: await nobody.newPage() };
  for (const { name: state, who, says, open } of refused) {
    await open(people[who]);
    const words = await people[who].locator("main").innerText();
    if (!words.toLowerCase().includes(says.toLowerCase())) complain(state, `does not say "${says}": ${words.slice(0, 200)}`);
    if (mode === "light") await validate(state, await people[who].content());
    await look(people[who], state, `refused-${state}`, mode, css);
  }
  for (const one of [context, technician.context, nobody]) await one.close();
}

// What the pages show once a visit is booked, and once one is logged: done once, then looked at in every mode.
const done = name === "demo" ? await deeds(await signedIn({ viewport: { width: 1280, height: 900 } }), url, complain) : [];
for (const { mode, page: options, css } of done.length > 0 ? MODES : []) {
  const { context, page } = await signedIn({ ...options, bypassCSP: true });
  for (const { state, path } of done) {
    await page.goto(url + path);
    if (mode === "light") await validate(state, await page.content());
    await look(page, state, state, mode, css);
  }
  await context.close();
}

// Keyboard alone: every stop is visible, has a visible focus, and comes in the order of the document.
const { context, page } = await signedIn({ viewport: { width: 1280, height: 900 }, bypassCSP: true });
for (const path of new Set(visited)) {
  await page.goto(url + path);
  const n = await page.evaluate(() => document.querySelectorAll("a[href], button, input:not([type=hidden]), select, textarea, summary").length);
  let before = null;
  for (let i = 0; i < Math.min(n, 40); i += 1) {
    await page.keyboard.press("Tab");
    const stop = await page.evaluate(() => {
      const e = document.activeElement;
      if (!e || e === document.body) return null;
      const style = getComputedStyle(e), box = e.getBoundingClientRect();
      const all = [...document.querySelectorAll("*")];
      return { at: all.indexOf(e), isDate: e.type === "date", html: e.outerHTML.slice(0, 80), outline: style.outlineStyle !== "none" && parseFloat(style.outlineWidth) >= 2, shown: box.width > 0 && box.height > 0 && box.bottom > 0 };
    });
    if (!stop) break;
    if (!stop.outline) complain(`${path} keyboard`, `no visible focus: ${stop.html}`);
    if (!stop.shown) complain(`${path} keyboard`, `focus out of sight: ${stop.html}`);
    // A date's day, month, year and calendar are stops of their own within one field.
    const within = stop.isDate && stop.at === before;
    if (before !== null && stop.at <= before && !within) complain(`${path} keyboard`, `out of order: ${stop.html}`);
    before = stop.at;
  }
}
// A file dropped in for verification: as the hub gave it out, then with one byte of a table altered.
async function verdictOn(bytes) {
  await page.goto(`${url}/audit`);
  await page.setInputFiles("#export", { name: "audit.zip", mimeType: "application/zip", buffer: bytes });
  await Promise.all([page.waitForURL(`${url}/audit/verify`), page.click("form[action='/audit/verify'] button")]);
  return page.locator("main").innerText();
}
const whole = isJudged ? await verdictOn(given) : "was altered.";
if (!whole.includes("was altered.") || whole.includes("is not as the hub gave it out")) complain("/audit/verify", `a sound export: ${whole.slice(0, 300)}`);
const caught = isJudged ? await verdictOn(altered) : "";
if (caught.includes("Nothing in")) complain("/audit/verify", `an altered export passes: ${caught.slice(0, 300)}`);

await page.goto(`${url}/`);
await page.keyboard.press("Tab");
await page.keyboard.press("Enter");
if (!(await page.evaluate(() => document.activeElement?.id === "content"))) complain("/", "the skip link does not lead to the content");
// On paper: A4 within margins of 14 mm. The three numbers of a line stand clear of one another, and nothing is there to tick.
await page.emulateMedia({ media: "print" });
await page.setViewportSize({ width: 688, height: 1123 });
await page.goto(`${url}/`);
const onPaper = await page.evaluate(() => {
  const right = (figure) => Math.max(...[...figure.querySelectorAll("*")].map((e) => e.getBoundingClientRect().right));
  const collides = (row) => [...row.children].some((figure, n, all) => n + 1 < all.length && right(figure) > all[n + 1].getBoundingClientRect().left);
  return {
    n_colliding: [...document.querySelectorAll(".laptop .numbers")].filter(collides).length,
    n_ticks: [...document.querySelectorAll("main input")].filter((e) => e.getClientRects().length > 0).length,
  };
});
if (onPaper.n_colliding > 0) complain("/ on paper", `the numbers of ${onPaper.n_colliding} laptops run into one another`);
if (onPaper.n_ticks > 0) complain("/ on paper", `${onPaper.n_ticks} fields of forms are printed`);
if (shots) for (const path of visited.slice(0, 6)) {
  await page.goto(url + path);
  await page.screenshot({ path: `${shots}/${name}-${path.replace(/[^a-z]+/gi, "-").replace(/^-|-$/g, "").slice(0, 24) || "list"}-print.png`, fullPage: true });
}
await context.close();
await browser.close();

console.log(`${name}: ${new Set(visited).size + 1} pages, ${refused.length} refusals, ${done.length} states after a deed, ${n_axe} axe-core runs, ${complaints.length} complaints`);
for (const c of complaints.slice(0, 60)) console.log(`  ${c}`);
process.exit(complaints.length === 0 ? 0 : 1);
