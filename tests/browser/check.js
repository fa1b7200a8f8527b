// The pages as people use them. What is held: WCAG 2.2 A and AA as far as axe-core can tell, the HTML standard (forms work
// without script), Content Security Policy 3 (nothing of an order ever runs).
"use strict";

const { spawn } = require("node:child_process");
const fs = require("node:fs");
const http = require("node:http");
const os = require("node:os");
const path = require("node:path");
const { chromium } = require("playwright-core");

const axe = fs.readFileSync(require.resolve("axe-core/axe.min.js"), "utf8");
const [program, pictures] = process.argv.slice(2);
const orders = path.join(__dirname, "../../deploy/demo/orders");
const sample = (name) => JSON.parse(fs.readFileSync(path.join(orders, `${name}.json`), "utf8"));

let passed = 0;
const failures = [];
const only = process.env.ONLY;
const tests = [];
const test = (name, run) => tests.push([name, run]);
const is = (got, wanted, what) => {
  if (JSON.stringify(got) !== JSON.stringify(wanted)) throw new Error(`${what}: ${JSON.stringify(got)}, not ${JSON.stringify(wanted)}`);
};
const holds = (condition, what) => {
  if (!condition) throw new Error(what);
};

const start = () => new Promise((resolve, reject) => {
  const child = spawn(program, ["demo", "--listen", "127.0.0.1:0"], { stdio: ["ignore", "pipe", "inherit"] });
  let said = "";
  child.on("exit", (code) => reject(new Error(`the demonstration ended: ${code}`)));
  child.stdout.on("data", (bytes) => {
    said += bytes;
    const found = /(http:\/\/[\d.:]+)\/sign-in#(\w+)/.exec(said);
    if (found) resolve({ child, base: found[1], token: found[2] });
  });
});

/** A service of its own that tells two systems which are not there, with orders that they were not told of. */
const startTelling = async () => {
  const folder = fs.mkdtempSync(path.join(os.tmpdir(), "eg-browser-"));
  // It answers each subscriber's handshake and takes nothing after it.
  const greeted = new Set();
  const taker = http.createServer((request, response) => {
    request.resume().on("end", () => {
      response.statusCode = greeted.has(request.url) ? 503 : 200;
      greeted.add(request.url);
      response.end();
    });
  });
  const away = await new Promise((resolve) => {
    taker.listen(0, "127.0.0.1", () => resolve(taker.address().port));
  });
  fs.writeFileSync(path.join(folder, "secret"), "aW52ZW50ZWQtc2VjcmV0LW9mLTMyLWJ5dGVzLS0tLTE=");
  const subscriber = (id) => `[[subscriber]]\nid = "${id}"\nendpoint = "http://127.0.0.1:${away}/${id}"\nprivate-addresses = true\nsecret-file = "secret"\nfhir = "R4"\ntries = 1\n`;
  fs.writeFileSync(path.join(folder, "subscribers.toml"), `base = "https://gate.example/fhir"\n${subscriber("board")}${subscriber("other")}`);
  const service = await new Promise((resolve, reject) => {
    const child = spawn(program, ["serve", "--listen", "127.0.0.1:0", "--formulary", path.join(__dirname, "../../deploy/demo/formulary.csv"), "--rulebook", "none", "--store", path.join(folder, "queue.sqlite"), "--subscribers", path.join(folder, "subscribers.toml")], { stdio: ["ignore", "pipe", "ignore"], env: { ...process.env, ENTERAL_GATE_LOG: "off" } });
    let said = "";
    child.on("exit", (code) => reject(new Error(`the service ended: ${code}`)));
    child.stdout.on("data", (bytes) => {
      said += bytes;
      const found = /(http:\/\/[\d.:]+)\/sign-in#(\w+)/.exec(said);
      if (found) resolve({ child, base: found[1], token: found[2], folder, taker });
    });
  });
  service.child.removeAllListeners("exit");
  for (const order of ["demo-4-jejunal-bolus", "demo-5-steps-over-cap", "demo-8-hold-in-text", "demo-9-no-density"]) await post(service, sample(order));
  return service;
};

/** Pages that a browser opens, watched: errors, refusals of the policy, requests elsewhere. */
const watched = async (browser, service, options = {}) => {
  const context = await browser.newContext({ viewport: { width: 1360, height: 900 }, ...options });
  const wrong = [];
  await context.addInitScript(() => {
    window.violations = [];
    document.addEventListener("securitypolicyviolation", (event) => window.violations.push(`${event.violatedDirective} ${event.blockedURI}`));
  });
  const page = await context.newPage();
  page.setDefaultTimeout(15000);
  page.on("pageerror", (error) => wrong.push(`error: ${error.message}`));
  page.on("dialog", (dialog) => {
    wrong.push(`dialog: ${dialog.message()}`);
    dialog.dismiss();
  });
  page.on("console", (message) => {
    if (message.type() === "error" && !/status of 4\d\d/.test(message.text())) wrong.push(`console: ${message.text()}`);
  });
  page.on("request", (request) => {
    if (!request.url().startsWith(service.base)) wrong.push(`request: ${request.url()}`);
  });
  return { context, page, wrong, done: async () => {
    await context.close();
    is(wrong, [], "errors");
  } };
};

const signIn = async ({ page }, service, person) => {
  await page.goto(`${service.base}/sign-in`);
  await page.fill("#token", service.token);
  await page.selectOption("#person", person);
  await page.click("main button[type=submit]");
  await page.waitForURL(/\/queue/);
};
const post = async (service, bundle, version = "R4") => {
  const answer = await fetch(`${service.base}/fhir/${version}/NutritionOrder/$appraise`, {
    method: "POST", headers: { "content-type": "application/fhir+json" }, body: JSON.stringify(bundle),
  });
  is(answer.status, 200, "the order is appraised");
};
const orderIn = (bundle) => bundle.entry.map((e) => e.resource).find((r) => r.resourceType === "NutritionOrder");
const labels = (page) => page.locator(".queue a.open").allTextContents();
const open = async (page, service, label, lane = "all") => {
  await page.goto(`${service.base}/queue?lane=${lane}&state=all&q=${label}`);
  await page.locator(".queue a.open", { hasText: new RegExp(`^${label}$`) }).first().click();
  await page.waitForURL(/\/queue\/[0-9a-f-]{36}/);
};
/** Goes to a page, and waits until it hears of what changes. */
const listening = async (page, go, where = /\/queue\/events$/) => {
  const [answer] = await Promise.all([page.waitForResponse((answer) => where.test(answer.url())), go()]);
  is([answer.status(), answer.headers()["content-type"]], [200, "text/event-stream"], "the page hears of what changes");
};
const check = async (page, where) => {
  await page.evaluate(axe);
  const found = await page.evaluate(() => window.axe.run(document, { runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"] }));
  const words = found.violations.map((v) => `${v.id}: ${v.nodes.slice(0, 3).map((n) => n.target.join(" ") + " " + n.html.slice(0, 90)).join(" | ")}`);
  is(words, [], `axe-core on ${where}`);
  is(await page.evaluate(() => window.violations), [], `policy on ${where}`);
};

test("signing in: a wrong token, then the address that was printed", async (browser, service) => {
  const w = await watched(browser, service);
  await w.page.goto(`${service.base}/queue?lane=dietitian`);
  await w.page.waitForURL(/\/sign-in\?next=/);
  await w.page.fill("#token", "wrong");
  await w.page.click("main button[type=submit]");
  await w.page.getByText("This is not the start-up token").waitFor();
  await w.page.goto(`${service.base}/sign-in#${service.token}`);
  await w.page.waitForFunction(() => document.querySelector("#token").value.length > 20);
  is(await w.page.evaluate(() => location.hash), "", "the token is not left in the address");
  await w.page.selectOption("#person", "invented-3");
  await w.page.click("main button[type=submit]");
  await w.page.waitForURL(/\/queue/);
  holds((await w.page.textContent("h1")).includes("dietitians"), "a dietitian sees the dietitians' lane first");
  const cookie = (await w.context.cookies()).find((c) => c.name === "gate-session");
  is([cookie.httpOnly, cookie.sameSite], [true, "Strict"], "cookie");
  await w.page.click("text=Sign out");
  await w.page.goto(`${service.base}/queue`);
  await w.page.waitForURL(/\/sign-in/);
  await w.done();
});

test("the list: urgency, counts, filters in the address, search", async (browser, service) => {
  const w = await watched(browser, service);
  await signIn(w, service, "invented-1");
  await w.page.goto(`${service.base}/queue?lane=all`);
  const all = await labels(w.page);
  holds(all.length >= 8, `the demonstration fills the queue: ${all}`);
  const tiers = await w.page.locator(".queue li > div:first-child").allTextContents();
  const grade = (text) => (text.includes("Stop") ? 4 : text.includes("High") ? 3 : text.includes("Not checked") ? 2 : text.includes("Medium") ? 1 : 0);
  const grades = tiers.map(grade);
  is(grades, [...grades].sort((a, b) => b - a), "the most urgent first");
  const shown = Number(await w.page.locator(".lanes a[aria-current] .count").textContent());
  is(shown, all.length, "the count of the view");
  await w.page.selectOption("#tier", "HIGH");
  await w.page.click("form.filters button");
  await w.page.waitForURL(/tier=HIGH/);
  holds((await labels(w.page)).length < all.length && (await labels(w.page)).length > 0, "filtered");
  const kept = await labels(w.page);
  await w.page.fill("#view-name", "Grave ones");
  await w.page.press("#view-name", "Enter");
  await w.page.getByRole("list", { name: "Your views" }).getByRole("link", { name: "Grave ones" }).waitFor();
  await w.page.goto(`${service.base}/queue`);
  await w.page.getByRole("link", { name: "Grave ones" }).click();
  await w.page.waitForURL(/tier=HIGH/);
  is(await labels(w.page), kept, "what the kept view shows");
  await check(w.page, "the list with a kept view");
  await w.page.getByRole("button", { name: "Remove the view" }).click();
  await w.page.getByLabel("Keep these filters as a view named").waitFor();
  await w.page.click("text=Without filters");
  await w.page.check("#unchecked");
  await w.page.click("form.filters button");
  await w.page.waitForURL(/unchecked=1/);
  const unchecked = await w.page.locator(".queue li").allTextContents();
  holds(unchecked.length > 0 && unchecked.every((t) => t.includes("Not checked")), "not fully checked only");
  await w.page.goto(`${service.base}/queue?lane=all`);
  await w.page.fill("#search", "demo-5");
  await w.page.press("#search", "Enter");
  await w.page.waitForURL(/q=demo-5/);
  is(await labels(w.page), ["demo-5"], "search");
  await w.page.fill("#search", "no such thing");
  await w.page.press("#search", "Enter");
  await w.page.getByText("Nothing fits these filters").waitFor();
  await w.done();
});

test("taking and deciding", async (browser, service) => {
  const w = await watched(browser, service);
  await signIn(w, service, "invented-1");
  await open(w.page, service, "demo-9", "pharmacist");
  await w.page.click("#act-take");
  await w.page.getByText("You hold this order now.").waitFor();
  await w.page.selectOption("#act-accept", "other");
  await w.page.click("text=Accept with this reason");
  await w.page.getByText("needs words").waitFor();
  await w.page.selectOption("#act-accept", "agreed-with-prescriber");
  await w.page.fill("#accept-text", "Density stated in the record");
  await w.page.click("text=Accept with this reason");
  await w.page.getByText("The decision was recorded").waitFor();
  holds((await w.page.textContent(".trail")).includes("Density stated in the record"), "the trail has it");
  await w.page.goto(`${service.base}/queue?lane=pharmacist`);
  holds(!(await labels(w.page)).includes("demo-9"), "gone from what waits");
  await w.page.goto(`${service.base}/queue?lane=all&state=closed`);
  holds((await labels(w.page)).includes("demo-9"), "closed");
  await open(w.page, service, "demo-9");
  await w.page.fill("#reopen-text", "Wrong order");
  await w.page.click("text=Open it again");
  await w.page.getByText("The decision was taken back.").waitFor();
  await w.page.fill("#act-comment", "Seen with the ward");
  await w.page.click("text=Add the comment");
  await w.page.getByText("comment: Seen with the ward").waitFor();
  await w.page.click("summary:has-text('Put off')");
  await w.page.fill("#snooze-text", "Result expected");
  await w.page.click("text=Put it off");
  await w.page.getByText("put off by Petra Probe until").first().waitFor();
  await w.page.fill("#ask-text", "Is the weight in pounds?");
  await w.page.click("text=Note the question");
  await w.page.getByText("prescriber asked by Petra Probe").first().waitFor();
  await w.page.click("summary:has-text('Hand over')");
  await w.page.selectOption("#to", "invented-2");
  await w.page.click("text=Hand it over");
  await w.page.getByText("held by Paul Muster").first().waitFor();
  await w.done();
});

test("two people, one order", async (browser, service) => {
  const [a, b] = [await watched(browser, service), await watched(browser, service)];
  await signIn(a, service, "invented-1");
  await signIn(b, service, "invented-2");
  await open(a.page, service, "demo-4", "pharmacist");
  await open(b.page, service, "demo-4", "pharmacist");
  await a.page.click("#act-take");
  await a.page.getByText("You hold this order now.").waitFor();
  // The other page hears of it without being loaded again.
  await b.page.getByText("This order changed while you were looking.").waitFor();
  await b.page.fill("#changed-text", "Rate lowered by telephone");
  await b.page.click("text=Close as changed");
  await b.page.getByText("Somebody was faster").waitFor();
  const text = await b.page.textContent("main");
  holds(text.includes("Petra Probe") && text.includes("Rate lowered by telephone"), text);
  await b.page.screenshot({ path: `${pictures}/conflict.png` });
  await check(b.page, "the conflict");
  await a.page.click("#act-give-back");
  await a.page.getByText("The order was given back.").waitFor();
  await a.done();
  await b.done();
});

test("what is written stays, whatever is pressed and whatever happens", async (browser, service) => {
  const bundle = sample("demo-5-steps-over-cap");
  orderIn(bundle).id = "written-on";
  await post(service, bundle);
  for (const javaScriptEnabled of [true, false]) {
    const w = await watched(browser, service, { javaScriptEnabled, viewport: { width: 360, height: 800 } });
    const { page } = w;
    await signIn(w, service, "invented-2");
    await open(page, service, "written-on", "pharmacist");
    if (await page.locator("#act-give-back").count()) await page.click("#act-give-back");
    await page.fill("#ask-text", "Is the last step meant?");
    await page.selectOption("#act-accept", "does-not-apply");
    await page.fill("#accept-text", "Seen at the bedside");
    if (javaScriptEnabled) {
      // The other lane does something: it is said, and nothing stands in the way.
      const other = await watched(browser, service);
      await signIn(other, service, "invented-3");
      await open(other.page, service, "written-on", "dietitian");
      await other.page.click("#act-take");
      await other.page.getByText("You hold this order now.").waitFor();
      await page.getByText("The other lane did something").waitFor();
      await page.click("#changed button");
      await page.getByText("held by Dora Beispiel").first().waitFor();
      is(await page.inputValue("#accept-text"), "Seen at the bedside", "shown again with what was written");
      await other.page.click("#act-give-back");
      await other.done();
    }
    await page.click("#act-take");
    await page.getByText("You hold this order now.").waitFor();
    const boxes = async () => [await page.inputValue("#ask-text"), await page.inputValue("#act-accept"), await page.inputValue("#accept-text")];
    is(await boxes(), ["Is the last step meant?", "does-not-apply", "Seen at the bedside"], "after taking it");
    await page.fill("#act-comment", "Ward knows");
    await page.click("text=Add the comment");
    await page.getByText("The comment was added.").waitFor();
    is(await boxes(), ["Is the last step meant?", "does-not-apply", "Seen at the bedside"], "after a comment");
    is(await page.inputValue("#act-comment"), "", "what was sent is not written twice");
    if (javaScriptEnabled) await check(page, "an order with what was written");
    // The session ends elsewhere: nothing is done, and the text is still to be read.
    const cookies = await w.context.cookies();
    await w.context.clearCookies();
    await page.click("text=Note the question");
    await page.getByRole("heading", { name: "Sign in first" }).waitFor();
    holds((await page.textContent("main")).includes("Is the last step meant?"), "what was written is shown");
    await page.screenshot({ path: `${pictures}/session-over-${javaScriptEnabled ? "script" : "plain"}.png`, fullPage: true });
    if (javaScriptEnabled) await check(page, "the session is over");
    await w.context.addCookies(cookies);
    await open(page, service, "written-on", "pharmacist");
    await page.click("#act-give-back");
    await page.getByText("The order was given back.").waitFor();
    await w.done();
  }
});

test("an order arrives while the list is open", async (browser, service) => {
  const w = await watched(browser, service);
  await signIn(w, service, "invented-1");
  await listening(w.page, () => w.page.goto(`${service.base}/queue?lane=all`));
  const bundle = sample("demo-4-jejunal-bolus");
  orderIn(bundle).id = "arrives-now";
  await post(service, bundle);
  await w.page.locator("#changed").waitFor({ state: "visible" });
  await w.page.screenshot({ path: `${pictures}/list-changed.png` });
  await w.page.click("#changed a");
  await w.page.locator(".queue a.open", { hasText: "arrives-now" }).waitFor();
  await w.done();
});

test("what changed since the list was looked at is marked, in words", async (browser, service) => {
  const names = ["marked-comes", "marked-taken", "marked-decided", "marked-replaced", "marked-own", "marked-stays"];
  const sent = async (name, rate) => {
    const bundle = sample("demo-5-steps-over-cap");
    orderIn(bundle).id = name;
    if (rate) orderIn(bundle).enteralFormula.administration[0].rateQuantity.value = rate;
    await post(service, bundle);
  };
  for (const javaScriptEnabled of [true, false]) {
    const kind = javaScriptEnabled ? "script" : "plain";
    const of = (name) => `${name}-${kind}`;
    for (const name of names.slice(1)) await sent(of(name));
    const [a, b] = [await watched(browser, service, { javaScriptEnabled }), await watched(browser, service)];
    await signIn(a, service, "invented-1");
    await signIn(b, service, "invented-2");
    // Changes of the two seconds before a list are marked on the next as well.
    await a.page.waitForTimeout(2500);
    const list = `${service.base}/queue?lane=pharmacist&q=${kind}`;
    const look = () => a.page.goto(list);
    if (javaScriptEnabled) await listening(a.page, look);
    else await look();
    is(await a.page.locator(".queue .what-changed").count(), 0, "nothing is marked on a list that is looked at first");
    // Another person works meanwhile, and orders arrive.
    await sent(of("marked-comes"));
    await sent(of("marked-replaced"), 55);
    await open(b.page, service, of("marked-taken"), "pharmacist");
    await b.page.click("#act-take");
    await b.page.getByText("You hold this order now.").waitFor();
    await open(b.page, service, of("marked-decided"), "pharmacist");
    await b.page.selectOption("#act-accept", "suits-this-patient");
    await b.page.click("text=Accept with this reason");
    await b.page.getByText("The decision was recorded").waitFor();
    if (javaScriptEnabled) {
      await a.page.getByText(/^\d+ orders changed or came while you were looking\.$/).waitFor();
      is(await a.page.locator("#changed").getAttribute("role"), "status", "said politely");
      is(await a.page.locator(".queue .what-changed").count(), 0, "nothing moves until it is asked for");
      await a.page.screenshot({ path: `${pictures}/since-count.png`, fullPage: true });
      await a.page.click("#changed a");
    } else {
      await a.page.click("text=Load it again and mark what changed");
    }
    await a.page.waitForURL(/since=/);
    const rows = Object.fromEntries(await a.page.locator(".queue > li").evaluateAll((list) => list.map((row) => [row.querySelector("a.open").textContent, [row.querySelector(".what-changed")?.textContent.trim().replace(/\s+/g, " ") ?? null, row.querySelector(".what-changed") === null || row.classList.contains("fresh")]])));
    const of_row = (text) => [text, true];
    is(rows[of("marked-comes")], of_row("Changed New."), "an order that came");
    is(rows[of("marked-taken")], of_row("Changed Taken by Paul Muster (pharmacist)."), "one that was taken");
    is(rows[of("marked-replaced")], of_row("Changed New: the order was changed to this."), "the new content of one");
    is(rows[of("marked-stays")], of_row(null), "one that nobody touched");
    const said = (await a.page.textContent("#since")).replace(/\s+/g, " ");
    holds(said.includes("3 orders on this page are new or were changed by others since"), said);
    holds(said.includes(`${of("marked-replaced")} Superseded: the order was changed.`), said);
    // Whether the order leaves the list with one lane's decision is the list's own affair; it is named in either place.
    const decided = rows[of("marked-decided")]?.[0] ?? said;
    holds(decided.includes("Decided by Paul Muster: left as it is (pharmacist)"), decided);
    is(await a.page.locator("#since").getAttribute("role"), "status", "a status");
    for (const width of [1360, 360]) {
      await a.page.setViewportSize({ width, height: 900 });
      if (javaScriptEnabled) {
        await check(a.page, `a list with marks, ${width} wide`);
        holds(await a.page.evaluate(() => document.documentElement.scrollWidth <= window.innerWidth), `fits ${width}`);
      }
      await a.page.screenshot({ path: `${pictures}/since-${kind}-${width}.png`, fullPage: true });
    }
    await a.page.emulateMedia({ media: "print" });
    is(await a.page.locator(".what-changed").first().isVisible(), true, "on paper too");
    await a.page.screenshot({ path: `${pictures}/since-${kind}-paper.png`, fullPage: true });
    await a.page.emulateMedia({ media: "screen" });
    // What somebody did themself is not told to them, and the same list again marks nothing that is old.
    await a.page.setViewportSize({ width: 1360, height: 900 });
    await a.page.waitForTimeout(2500);
    await look();
    const again = await a.page.getAttribute("p.sub a:has-text('mark what changed')", "href");
    await open(a.page, service, of("marked-own"), "pharmacist");
    await a.page.click("#act-take");
    await a.page.getByText("You hold this order now.").waitFor();
    await a.page.goto(service.base + again);
    is(await a.page.locator(".queue .what-changed").count(), 0, "no marks");
    holds((await a.page.textContent("#since")).includes("Nothing on this page changed by others since"), "says so");
    await a.page.goto(`${list}&since=yesterday`);
    await a.page.getByText("Not understood, and not looked for: since=yesterday.").waitFor();
    await a.done();
    await b.done();
  }
});

test("an order is replaced while somebody looks at it", async (browser, service) => {
  const w = await watched(browser, service);
  const bundle = sample("demo-5-steps-over-cap");
  orderIn(bundle).id = "replaced-soon";
  await post(service, bundle);
  await signIn(w, service, "invented-1");
  await listening(w.page, () => open(w.page, service, "replaced-soon"), /\/queue\/events\?item=/);
  orderIn(bundle).enteralFormula.administration[0].rateQuantity.value = 55;
  await post(service, bundle);
  await w.page.getByText("This order changed while you were looking.").waitFor();
  await w.page.selectOption("#act-accept", "suits-this-patient");
  await w.page.click("text=Accept with this reason");
  await w.page.getByText("Nothing was done").waitFor();
  await w.page.click("text=Go to what the order is now");
  await w.page.getByText("The order was changed before.").waitFor();
  await w.page.click("text=What it was");
  await w.page.getByText("Not the order any more").waitFor();
  is(await w.page.locator("#act-accept").count(), 0, "what was replaced cannot be decided");
  await w.page.screenshot({ path: `${pictures}/replaced.png`, fullPage: true });
  await check(w.page, "a replaced order");
  await w.done();
});

test("reading and deciding without script", async (browser, service) => {
  const w = await watched(browser, service, { javaScriptEnabled: false });
  await signIn(w, service, "invented-3");
  await open(w.page, service, "demo-2", "dietitian");
  const text = await w.page.textContent("main");
  holds(text.includes("The order in words") && text.includes("Feed so far"), "words, drawing and table are there");
  await w.page.click("#act-take");
  await w.page.fill("#changed-text", "More water by the ward");
  await w.page.click("text=Close as changed");
  await w.page.getByText("The decision was recorded: the order was changed.").waitFor();
  await w.page.goto(`${service.base}/try?sample=demo-1-toddler`);
  await w.page.fill("#now0", "400");
  await w.page.click("text=Work it out");
  holds((await w.page.textContent("#result .given")).includes("400 mL"), "the try page answers a plain form with what was asked for");
  is(await w.page.inputValue("#now0"), "400", "the field keeps what was asked for");
  await w.done();
});

/** Whoever has no mouse: Tab comes to things, and whatever would press or choose without a key is refused. */
const keys = ({ page }) => {
  for (const hand of ["click", "dblclick", "tap", "fill", "check", "uncheck", "selectOption", "focus", "hover", "setInputFiles", "dragAndDrop"]) {
    page[hand] = () => { throw new Error(`${hand} is no key`); };
  }
  const press = async (...names) => {
    for (const name of names) await page.keyboard.press(name);
  };
  const here = (what) => what.evaluateAll((list) => list.includes(document.activeElement));
  /** Tab until it has the focus; round the page at most once. */
  const to = async (what, name) => {
    for (let n = 0; n < 200 && !(await here(what)); n += 1) await press("Tab");
    is(await here(what), true, `the keyboard comes to ${name}`);
  };
  const named = (role, name) => page.getByRole(role, { name, exact: true });
  return {
    press, to,
    type: (text) => page.keyboard.type(text),
    /** Comes to it and presses it. */
    go: async (role, name) => {
      await to(named(role, name), `“${name}”`);
      await press("Enter");
    },
    /** Comes to a box and writes. */
    write: async (name, text) => {
      await to(page.getByLabel(name, { exact: true }), `“${name}”`);
      await page.keyboard.type(text);
    },
    /** Comes to a list and goes down it until that is picked. */
    pick: async (name, words) => {
      const list = page.getByLabel(name, { exact: true });
      await to(list, `“${name}”`);
      const picked = () => list.evaluate((select) => select.selectedOptions[0].textContent);
      await press("Home");
      for (let n = 0; n < 20 && !words.test(await picked()); n += 1) await press("ArrowDown");
      holds(words.test(await picked()), `${words} in “${name}”: ${await picked()}`);
    },
    /** Opens what is folded. */
    unfold: async (name) => {
      await to(page.locator("summary", { hasText: name }), `“${name}”`);
      await press("Enter");
    },
    signIn: async (service, words) => {
      await page.goto(`${service.base}/sign-in`);
      await to(page.locator("#token"), "the token");
      await page.keyboard.type(service.token);
      await to(page.locator("#person"), "the people");
      for (let n = 0; n < 20 && !words.test(await page.locator("#person").evaluate((select) => select.selectedOptions[0].textContent)); n += 1) await press("ArrowDown");
      await to(named("button", "Sign in"), "the button");
      await press("Enter");
      await page.waitForURL(/\/queue/);
      holds(words.test(await page.textContent(".who")), "signed in as the one that was picked");
    },
  };
};

for (const javaScriptEnabled of [true, false]) {
  test(`the whole flow with keys and nothing else${javaScriptEnabled ? "" : ", without script"}`, async (browser) => {
    // The demonstration by itself: nobody else holds or decides anything.
    const service = await start();
    try {
      const w = await watched(browser, service, { javaScriptEnabled });
      const { page } = w;
      const k = keys(w);
      const said = (text) => page.getByText(text).first().waitFor();
      await k.signIn(service, /Paul Muster/);
      // Search.
      if (javaScriptEnabled) await k.press("/");
      else await k.to(page.locator("#search"), "the search");
      await k.type("demo-5");
      await k.press("Enter");
      await page.waitForURL(/q=demo-5/);
      is(await labels(page), ["demo-5"], "found");
      // Filters, and a view of them that is kept, gone to and removed.
      await k.go("link", "Without filters");
      await page.waitForURL((url) => !url.search.includes("q="));
      await k.pick("Gravest finding", /^High$/);
      await k.pick("State", /^free to take$/);
      await k.to(page.getByLabel("not fully checked only"), "the box");
      await k.press("Space", "Space");
      await k.go("button", "Show");
      await page.waitForURL(/tier=HIGH/);
      holds(page.url().includes("state=free") && !page.url().includes("unchecked"), page.url());
      const shown = await labels(page);
      await k.write("Keep these filters as a view named", "High and free");
      await k.press("Enter");
      await page.getByRole("list", { name: "Your views" }).waitFor();
      await k.go("link", /^Pharmacists/);
      await page.waitForURL((url) => !url.search.includes("tier="));
      await k.go("link", "High and free");
      await page.waitForURL(/tier=HIGH/);
      is(await labels(page), shown, "as the view was kept");
      await k.go("button", "Remove the view “High and free”");
      await page.getByLabel("Keep these filters as a view named").waitFor();
      await k.go("link", "Load it again and mark what changed");
      await page.waitForURL(/since=/);
      // An order: taken, given back, taken.
      await k.to(page.locator("#search"), "the search");
      await k.press("Control+a");
      await k.type("demo-5");
      await k.to(page.getByLabel("Gravest finding"), "the findings");
      await k.press("Home");
      await k.go("button", "Show");
      await page.waitForURL(/q=demo-5/);
      await k.go("link", "demo-5");
      await page.waitForURL(/\/queue\/[0-9a-f-]{36}/);
      await k.go("button", "Take it");
      await said("You hold this order now.");
      await k.go("button", "Give it back");
      await said("The order was given back.");
      // What is asked, put off, said and judged.
      await k.write("What was asked, and how it was sent", "Is the last step meant?");
      await k.go("button", "Note the question");
      await said("The question to the prescriber was noted.");
      await k.unfold("Put off");
      await k.pick("For", /^2 h$/);
      await k.to(page.locator("#snooze-text"), "why");
      await k.type("Result expected");
      await k.go("button", "Put it off");
      await said("The order was put off.");
      await k.write("Others who open this order read it", "Ward knows");
      await k.go("button", "Add the comment");
      await said("The comment was added.");
      for (const [words, then] of [["useful", "Counted as useful."], ["not useful", "Counted as not useful."]]) {
        await k.unfold("Was a finding worth its time?");
        await k.go("button", `CON-03 was ${words}`);
        await said(then);
      }
      // Decided, taken back, decided otherwise, taken back.
      await k.pick("Reason", /does not apply/i);
      await k.write("In your words", "Seen at the bedside");
      await k.go("button", "Accept with this reason");
      await said("The decision was recorded: the order is left as it is.");
      await k.to(page.locator("#reopen-text"), "why");
      await k.type("Wrong order");
      await k.go("button", "Open it again");
      await said("The decision was taken back.");
      await k.write("How", "Last step left out");
      await k.go("button", "Close as changed");
      await said("The decision was recorded: the order was changed.");
      await k.to(page.locator("#reopen-text"), "why");
      await k.type("Not yet");
      await k.go("button", "Open it again");
      await said("The decision was taken back.");
      // Handed over.
      await k.unfold("Hand over");
      await k.pick("To", /Petra Probe/);
      await k.write("What they should know", "Ward calls back at noon");
      await k.go("button", "Hand it over");
      await said("The order was handed over.");
      await said("held by Petra Probe");
      const trail = await page.textContent(".trail");
      for (const text of ["taken", "given back", "Is the last step meant?", "Result expected", "comment: Ward knows", "Seen at the bedside", "Wrong order", "Last step left out", "Not yet", "Ward calls back at noon"]) {
        holds(trail.includes(text), `the trail has “${text}”: ${trail}`);
      }
      await page.screenshot({ path: `${pictures}/keys-${javaScriptEnabled ? "script" : "plain"}.png`, fullPage: true });
      // Counted at the rule, and out again.
      await k.to(page.locator(".findings a", { hasText: /^CON-03$/ }), "the rule");
      await k.press("Enter");
      await page.waitForURL(/\/rules\/CON-03/);
      holds((await page.textContent("main")).includes("judged useful, not useful0, 1"), "counted at the rule");
      await page.screenshot({ path: `${pictures}/keys-rule.png`, fullPage: true });
      await k.go("button", "Sign out");
      await page.waitForURL((url) => !url.pathname.startsWith("/rules"));
      await w.done();
    } finally {
      service.child.removeAllListeners("exit");
      service.child.kill();
    }
  });
}

test("keyboard only", async (browser, service) => {
  const w = await watched(browser, service);
  const { page } = w;
  const k = keys(w);
  await k.signIn(service, /Paul Muster/);
  await page.goto(`${service.base}/queue?lane=pharmacist`);
  await page.keyboard.press("Tab");
  is(await page.evaluate(() => document.activeElement.textContent), "Skip to the content", "first stop");
  await page.keyboard.press("Enter");
  is(await page.evaluate(() => document.activeElement.id), "main", "skips");
  // Every stop can be seen, none holds the focus, and the way round ends.
  const stops = [];
  for (let n = 0; n < 400; n += 1) {
    await page.keyboard.press("Tab");
    const stop = await page.evaluate(() => {
      const e = document.activeElement;
      if (!e || e === document.body) return null;
      const style = getComputedStyle(e);
      const box = e.getBoundingClientRect();
      return { what: `${e.tagName} ${e.id} ${e.textContent.trim().slice(0, 20)}`, seen: style.outlineStyle !== "none" && parseFloat(style.outlineWidth) >= 2, tall: box.height };
    });
    if (!stop) break;
    stops.push(stop);
  }
  holds(stops.length > 20 && stops.length < 399, `${stops.length} stops`);
  is(stops.filter((s) => !s.seen).map((s) => s.what), [], "stops whose focus cannot be seen");
  await page.goto(`${service.base}/queue?lane=pharmacist`);
  await page.keyboard.press("/");
  is(await page.evaluate(() => document.activeElement.id), "search", "search");
  await page.keyboard.type("jk?u");
  is(await page.inputValue("#search"), "jk?u", "letters in a field are letters");
  await page.goto(`${service.base}/queue?lane=pharmacist`);
  const list = await labels(page);
  await page.keyboard.press("j");
  await page.keyboard.press("j");
  await page.keyboard.press("k");
  is(await page.evaluate(() => document.activeElement.textContent), list[0], "j and k move");
  await page.keyboard.press("Enter");
  await page.waitForURL(/\/queue\/[0-9a-f-]{36}/);
  // The first order may be one that was handed over to this person.
  if (await page.locator("#act-give-back").count()) {
    await k.press("t", "Enter");
    await page.locator("#act-take").waitFor();
  }
  await page.keyboard.press("t");
  is(await page.evaluate(() => document.activeElement.id), "act-take", "t goes to the button");
  await page.keyboard.press("Enter");
  await page.getByText("You hold this order now.").waitFor();
  await page.keyboard.press("a");
  is(await page.evaluate(() => document.activeElement.id), "act-accept", "a goes to the decision");
  await page.keyboard.press("ArrowDown");
  await page.keyboard.press("Tab");
  await page.keyboard.type("Decided with the keyboard");
  await page.keyboard.press("Tab");
  await page.keyboard.press("Enter");
  await page.getByText("The decision was recorded").waitFor();
  holds((await page.textContent(".trail")).includes("Decided with the keyboard"), "recorded");
  await page.keyboard.press("u");
  // Back to the list as it was looked at.
  await page.waitForURL(/\/queue\?lane=pharmacist&state=waiting$/);
  await page.keyboard.press("?");
  await page.waitForURL(/\/keys$/);
  await k.go("button", "Switch the letters off");
  await page.goto(`${service.base}/queue`);
  // A letter that does something takes the key for itself; this comes after the page's own.
  const taken = async () => {
    await page.evaluate(() => {
      window.heard = null;
      window.addEventListener("keydown", (event) => { window.heard = { key: event.key, taken: event.defaultPrevented }; }, { once: true });
    });
    await page.keyboard.press("j");
    return (await page.waitForFunction(() => window.heard)).jsonValue();
  };
  is(await taken(), { key: "j", taken: false }, "letters can be switched off");
  await page.goto(`${service.base}/keys`);
  await k.go("button", "Switch the letters on");
  await page.goto(`${service.base}/queue`);
  is(await taken(), { key: "j", taken: true }, "and on again");
  await w.done();
});

test("a dietitian clears the lane with the keyboard", async (browser) => {
  // The demonstration as it begins, by itself: others decide nothing meanwhile.
  const service = await start();
  try {
    const w = await watched(browser, service);
    const { page } = w;
    const press = async (...keys) => {
      for (const key of keys) await page.keyboard.press(key);
    };
    await page.goto(`${service.base}/sign-in#${service.token}`);
    await page.waitForFunction(() => document.querySelector("#token").value.length > 20);
    await page.selectOption("#person", "invented-3");
    await press("Tab", "Enter");
    await page.waitForURL(/\/queue/);
    const first = await labels(page);
    holds(first.length >= 5, `${first.length} orders wait for a dietitian`);
    const decided = [];
    for (let n = 0; n < 20; n += 1) {
      const waiting = await labels(page);
      if (waiting.length === 0) break;
      await press("j");
      is(await page.evaluate(() => document.activeElement.textContent), waiting[0], "j goes to the most urgent");
      await press("Enter");
      await page.waitForURL(/\/queue\/[0-9a-f-]{36}/);
      await page.screenshot({ path: path.join(pictures, `walk-${decided.length + 1}-${waiting[0]}.png`), fullPage: true });
      await press("t", "Enter");
      await page.getByText("You hold this order now.").waitFor();
      await press("a", "ArrowDown", "Tab");
      await page.keyboard.type("Looked at on the round");
      await press("Tab", "Enter");
      await page.getByText("The decision was recorded").waitFor();
      decided.push(waiting[0]);
      await press("u");
      await page.waitForURL(/\/queue(\?|$)/);
    }
    is(decided, first, "every order, the most urgent first");
    // An empty list is no all-clear.
    holds(/last order/i.test(await page.textContent("main")), "says when the last order came");
    await check(page, "an empty lane");
    await page.screenshot({ path: path.join(pictures, "walk-empty.png"), fullPage: true });
    await w.done();
  } finally {
    service.child.removeAllListeners("exit");
    service.child.kill();
  }
});

test("trying an order: figures follow, errors name their place", async (browser, service) => {
  const w = await watched(browser, service);
  const { page } = w;
  await page.clock.install();
  const asked = [];
  page.on("request", (request) => asked.push(`${request.method()} ${new URL(request.url()).pathname}`));
  await page.goto(`${service.base}/try`);
  await page.screenshot({ path: `${pictures}/try-empty.png`, fullPage: true });
  // Looking through the list with the arrows goes nowhere and takes nothing away (WCAG 3.2.2).
  await page.fill("#json", '{"resourceType": "NutritionOrder"}');
  await Promise.all([page.waitForResponse((answer) => answer.url().endsWith("/try")), page.clock.runFor(500)]);
  await page.focus("#sample");
  for (let n = 0; n < 3; n += 1) await page.keyboard.press("ArrowDown");
  await page.selectOption("#sample", "demo-5-steps-over-cap");
  // What waits for the typing to end is let go on; a request that it makes is there before one that is made after it.
  asked.length = 0;
  await page.clock.runFor(2000);
  await page.evaluate(() => fetch("/livez"));
  is(asked, ["GET /livez"], "nothing is asked for");
  is([new URL(page.url()).search, await page.inputValue("#json")], ["", '{"resourceType": "NutritionOrder"}'], "one's own order stays");
  await page.click("text=Take this one");
  await page.locator("#result .sheet").waitFor();
  holds((await page.textContent("#result")).includes("1910 mL"), "as ordered");
  await page.fill("#now0", "25");
  await page.getByText("Worked out again.").waitFor();
  // 25 mL/h for 4 h in place of 50: 100 mL less in the first day.
  await page.getByText("1810 mL").first().waitFor();
  await page.fill("#now0", "twenty");
  await page.getByText("is not a number as FHIR writes it").first().waitFor();
  await page.fill("#now0", "50");
  await page.click("summary:has-text('The order as FHIR JSON')");
  await page.fill("#json", '{\n "resourceType": "NutritionOrder",\n "status": }');
  await page.locator("#result [role=alert]").waitFor();
  holds((await page.textContent("#result")).includes("Line 3"), "names line and column");
  await page.screenshot({ path: `${pictures}/try-error.png`, fullPage: true });
  const before = await (await fetch(`${service.base}/metrics`)).text();
  await page.goto(`${service.base}/try?sample=demo-9-no-density`);
  const after = await (await fetch(`${service.base}/metrics`)).text();
  const count = (text) => text.split("\n").filter((l) => l.startsWith("enteral_gate_appraisals_total")).join();
  is(count(after), count(before), "nothing is counted");
  await w.done();
});

test("the findings come before the decision, on a telephone, on paper and by keyboard", async (browser, service) => {
  const w = await watched(browser, service, { viewport: { width: 360, height: 800 } });
  const { page } = w;
  await signIn(w, service, "invented-1");
  await open(page, service, "demo-5");
  const box = (name) => page.getByRole("heading", { name, exact: true }).first().boundingBox();
  for (const media of ["screen", "print"]) {
    await page.emulateMedia({ media });
    holds((await box("Found")).y < (await box("Decide")).y, `found before decide (${media})`);
    await page.screenshot({ path: `${pictures}/order-360-${media}.png`, fullPage: true });
  }
  await page.emulateMedia({ media: "screen" });
  const order = await page.evaluate(() => [...document.querySelectorAll(".findings a, #work button")].map((e) => e.closest(".findings") ? "finding" : "button"));
  is(order.lastIndexOf("finding") < order.indexOf("button"), true, "the way of the keyboard");
  // On a wide window the decision stands under the order, beside what was found.
  await page.setViewportSize({ width: 1360, height: 900 });
  const [words, found, decide] = [await box("The order in words"), await box("Found"), await box("Decide")];
  holds(Math.abs(words.x - decide.x) < 2 && found.x > decide.x && found.y < decide.y, JSON.stringify([words, found, decide]));
  await page.screenshot({ path: `${pictures}/order-1360.png`, fullPage: true });
  await w.done();
});

test("paper", async (browser, service) => {
  const w = await watched(browser, service);
  await signIn(w, service, "invented-1");
  await open(w.page, service, "demo-5");
  await w.page.emulateMedia({ media: "print" });
  for (const what of ["nav", ".acts", ".who form"]) {
    is(await w.page.locator(what).first().isVisible(), false, `${what} on paper`);
  }
  await w.page.setViewportSize({ width: 794, height: 1123 });
  await w.page.screenshot({ path: `${pictures}/paper.png`, fullPage: true });
  const pdf = await w.page.pdf({ format: "A4", path: `${pictures}/paper.pdf` });
  holds(pdf.length > 20000, "a document");
  await w.done();
});

test("a rule says in words what it finds, and then by which expression", async (browser, service) => {
  const w = await watched(browser, service);
  for (const [rule, words, expression] of [["WAT-01", "Feed and flushes give", "free_water_per_kg below least"], ["ELE-01", "The feed brings", "potassium_mmol above adult"]]) {
    await w.page.goto(`${service.base}/rules/${rule}`);
    const said = await w.page.locator(".finding").first().textContent();
    holds(said.includes(words) && said.indexOf(words) < said.indexOf(expression), `${rule}: ${said}`);
  }
  await w.done();
});

const PAGES = ["/", "/keys", "/sign-in", "/try", "/try?sample=demo-5-steps-over-cap", "/try?sample=demo-9-no-density", "/try?sample=demo-1-toddler", "/rules", "/rules/WAT-01", "/rules/CON-03", "/rules/NO-SUCH", "/state", "/queue?lane=all", "/queue?lane=all&q=nothing", "/queue/00000000-0000-0000-0000-000000000000"];

for (const [colorScheme, width] of [["light", 1360], ["dark", 1360], ["light", 390], ["dark", 320]]) {
  test(`every page, ${colorScheme}, ${width} wide`, async (browser, service) => {
    const w = await watched(browser, service, { colorScheme, viewport: { width, height: 900 } });
    await signIn(w, service, "invented-1");
    const ids = await w.page.goto(`${service.base}/queue?lane=all&state=all`).then(() => w.page.locator(".queue a.open").evaluateAll((list) => list.map((a) => [a.textContent, a.getAttribute("href")])));
    for (const [name, address] of [...PAGES.map((p) => [p, p]), ...ids.slice(0, 6)]) {
      await w.page.goto(service.base + address);
      await w.page.evaluate(() => document.querySelectorAll("details").forEach((d) => { d.open = true; }));
      await check(w.page, `${name} (${colorScheme}, ${width})`);
      const wide = await w.page.evaluate(() => document.documentElement.scrollWidth - window.innerWidth);
      holds(wide <= 0, `${name} is ${wide} px wider than a window of ${width}`);
      await w.page.evaluate(() => document.querySelectorAll("details").forEach((d) => { d.open = false; }));
      const file = name.replace(/[^a-z0-9]+/gi, "-").replace(/^-|-$/g, "") || "home";
      await w.page.screenshot({ path: `${pictures}/${colorScheme}-${width}-${file}.png`, fullPage: true });
    }
    await w.done();
  });
}

test("messages that did not arrive: by keyboard, and without script", async (browser) => {
  const service = await startTelling();
  try {
    for (const javaScriptEnabled of [true, false]) {
      const w = await watched(browser, service, { javaScriptEnabled, viewport: { width: 320, height: 900 } });
      const { page } = w;
      await page.goto(`${service.base}/sign-in`);
      await page.fill("#token", service.token);
      await page.fill("#person", "Invented Amt");
      await page.selectOption("#job", "admin");
      await page.click("main button[type=submit]");
      await page.waitForURL(/\/queue/);
      const go = async (name, role) => {
        // Tab until it has the focus, as somebody without a mouse does.
        for (let n = 0; n < 60; n += 1) {
          await page.keyboard.press("Tab");
          if (await page.getByRole(role, { name, exact: true }).evaluateAll((list) => list.includes(document.activeElement))) break;
        }
        is(await page.getByRole(role, { name, exact: true }).evaluateAll((list) => list.includes(document.activeElement)), true, `the keyboard comes to “${name}”`);
        await page.keyboard.press("Enter");
      };
      const looks = async (where) => {
        if (javaScriptEnabled) await check(page, where);
        if (javaScriptEnabled) holds(await page.evaluate(() => document.documentElement.scrollWidth <= window.innerWidth), `${where} fits`);
        await page.screenshot({ path: `${pictures}/letters-${javaScriptEnabled ? "script" : "plain"}-${where.replace(/\W+/g, "-")}.png`, fullPage: true });
      };
      for (let n = 0; n < 100; n += 1) {
        await page.goto(`${service.base}/state`);
        if (await page.getByRole("link", { name: "Remove those to board …" }).count() > 0 && await page.getByRole("button", { name: "Send those to other again" }).count() > 0) break;
        await page.waitForTimeout(200);
      }
      is(await page.getByRole("link", { name: "Remove those to board …" }).count(), 1, "what did not arrive at board can be removed");
      is(await page.getByRole("button", { name: "Send those to other again" }).count(), 1, "what did not arrive at other can be sent again");
      await looks("the state");
      await go("Send those to other again", "button");
      await page.getByRole("heading", { name: "Sent again" }).waitFor();
      await looks("sent again");
      await page.goto(`${service.base}/state`);
      await go("board", "link");
      await page.getByRole("heading", { name: "Messages to board that did not arrive" }).waitFor();
      await looks("the list");
      // One after the other is tried and given up.
      for (let n = 0; n < 100 && (await page.getByRole("row").count()) < 3; n += 1) {
        await page.waitForTimeout(200);
        await page.reload();
      }
      const before = await page.getByRole("row").count();
      holds(before >= 3, `${before} rows: the head, and at least two messages`);
      const remove = page.getByRole("link", { name: /^Remove \d+ …$/ }).first();
      const name = await remove.textContent();
      await go(name, "link");
      const number = /\d+/.exec(name)[0];
      await page.getByRole("heading", { name: `Remove message ${number} to board?` }).waitFor();
      await looks("the question");
      await go("Keep it", "link");
      await page.getByRole("heading", { name: "Messages to board that did not arrive" }).waitFor();
      is(await page.getByRole("row").count(), before, "nothing was removed");
      await go(name, "link");
      await page.getByRole("heading", { name: `Remove message ${number} to board?` }).waitFor();
      await go(`Remove message ${number} to board`, "button");
      await page.getByRole("heading", { name: "Removed" }).waitFor();
      await looks("removed");
      await go("Look at what is there now", "link");
      await page.getByRole("heading", { name: "Messages to board that did not arrive" }).waitFor();
      is(await page.getByRole("row").count(), before - 1, "one fewer");
      await w.done();
    }
  } finally {
    service.child.kill("SIGTERM");
    service.taker.close();
    service.taker.closeAllConnections();
    fs.rmSync(service.folder, { recursive: true, force: true });
  }
});

test("what others write never runs", require("./strings.js")({ program, sample, orderIn, watched, is, holds }));

(async () => {
  fs.mkdirSync(pictures, { recursive: true });
  const service = await start();
  service.child.removeAllListeners("exit");
  const browser = await chromium.launch({ executablePath: process.env.CHROMIUM, args: ["--no-sandbox"] });
  for (const [name, run] of tests) {
    if (only && !name.includes(only)) continue;
    try {
      await run(browser, service);
      passed += 1;
      console.log(`ok: ${name}`);
    } catch (error) {
      failures.push(name);
      console.log(`FAILED: ${name}\n  ${error.stack}`);
    }
  }
  await browser.close();
  service.child.kill("SIGTERM");
  console.log(`${passed} passed, ${failures.length} failed`);
  process.exit(failures.length > 0 || passed === 0 ? 1 : 0);
})().catch((error) => {
  console.error(error);
  process.exit(1);
});
