// Hostile strings in every field that a person, a client or a resource can put text into, shown in a browser. What is held:
// Content Security Policy 3 (nothing of an order ever runs, nothing is refused because nothing is tried), the HTML standard
// (no element and no attribute is theirs), RFC 9110 (no header is theirs).
"use strict";

const { spawn } = require("node:child_process");
const fs = require("node:fs");
const os = require("node:os");
const path = require("node:path");

const root = path.join(__dirname, "../..");
const strings = require("./hostile.json");

// The program writes no CSV. Tokens are not shown anywhere and after ten wrong ones nobody signs in for a minute: they are left out, as are
// the fields of forms that nobody types into.

/** Fields of an order and of its patient that take any text: the order is worked out all the same. */
const TEXTS = {
  "order: identifier": (o, _, t) => { o.identifier = [{ system: "urn:invented", value: t }]; },
  "order: patient's display": (o, _, t) => { o.patient.display = t; },
  "order: patient's identifier": (o, _, t) => { o.patient.identifier = { value: t, type: { text: "Number" } }; },
  "order: orderer": (o, _, t) => { o.orderer = { display: t }; },
  "order: encounter, the ward": (o, _, t) => { o.encounter = { display: t }; },
  "order: note": (o, _, t) => { o.note = [{ text: t }]; },
  "order: instruction": (o, _, t) => { o.enteralFormula.administrationInstruction = t; },
  "order: product name": (o, _, t) => { o.enteralFormula.baseFormulaProductName = t; },
  "order: product type": (o, _, t) => { o.enteralFormula.baseFormulaType.text = t; },
  "order: product coding's display": (o, _, t) => { o.enteralFormula.baseFormulaType.coding[0].display = t; },
  "order: additive's name": (o, _, t) => { o.enteralFormula.additiveProductName = t; },
  "order: additive's type": (o, _, t) => { o.enteralFormula.additiveType = { text: t }; },
  "order: route": (o, _, t) => { o.enteralFormula.routeofAdministration.text = t; },
  "order: oral diet's instruction": (o, _, t) => { o.oralDiet = { instruction: t }; },
  "order: supplement's name": (o, _, t) => { o.supplement = [{ productName: t }]; },
  "order: unit of the maximum": (o, _, t) => { o.enteralFormula.maxVolumeToDeliver = { value: 900, unit: t }; },
  "order: contained device": (o, _, t) => { o.contained = [{ resourceType: "Device", id: "pump", deviceName: [{ name: t, type: "user-friendly-name" }] }]; },
  "patient: name": (_, p, t) => { p.name = [{ text: t }]; },
  "patient: identifier": (_, p, t) => { p.identifier = [{ value: t, type: { text: "Record number" } }]; },
  "patient: date of birth": (_, p, t) => { p.birthDate = t; },
  "patient: gender": (_, p, t) => { p.gender = t; },
  "patient: what the identifier is": (_, p, t) => { p.identifier[0].type.text = t; },
};

/** Those where only codes, ids, dates and references belong: the order is looked at by a person. */
const CODES = {
  "order: id": (o, _, t) => { o.id = t; },
  "order: status": (o, _, t) => { o.status = t; },
  "order: intent": (o, _, t) => { o.intent = t; },
  "order: dateTime": (o, _, t) => { o.dateTime = t; },
  "order: patient's reference": (o, _, t) => { o.patient = { reference: t }; },
  "order: encounter's reference": (o, _, t) => { o.encounter = { reference: t }; },
  "order: instantiates": (o, _, t) => { o.instantiatesUri = [t]; },
  "order: language": (o, _, t) => { o.language = t; },
  "order: product's code": (o, _, t) => { o.enteralFormula.baseFormulaType.coding[0].code = t; },
  "order: product's system": (o, _, t) => { o.enteralFormula.baseFormulaType.coding[0].system = t; },
  "order: code of a unit": (o, _, t) => { o.enteralFormula.administration[0].rateQuantity.code = t; },
  "order: system of a unit": (o, _, t) => { o.enteralFormula.caloricDensity.system = t; },
  "order: start": (o, _, t) => { o.enteralFormula.administration[0].schedule.repeat.boundsPeriod.start = t; },
  "order: extension's url": (o, _, t) => { o.extension = [{ url: t, valueString: "x" }]; },
  "order: extension's value": (o, _, t) => { o.extension.push({ url: "urn:invented", valueString: t }); },
  "order: an element that there is not": (o, _, t) => { o[t] = "x"; },
  "order: text.div": (o, _, t) => { o.text = { status: "generated", div: t }; },
};

/** What people write on an order; each is done, and each stands in its box once more. */
const DONE = ["comment", "ask-prescriber", "snooze", "accept", "reopen", "close-as-changed", "hand-over"];
const BOXES = ["ask-prescriber", "accept", "close-as-changed", "snooze", "hand-over"];
/** Parameters of the list's address. */
const LIST = ["q", "ward", "rule", "lane", "state", "tier", "waits", "starts", "unchecked", "mine", "since"];
/** Other addresses, with a string in them. Nothing of it comes back, or it comes back as JSON, or the page is opened. */
const ADDRESSES = {
  "address: after": (t) => `/queue?after=${t}`,
  "address: id of an order": (t) => `/queue/${t}`,
  "address: rule": (t) => `/rules/${t}`,
  "address: sample": (t) => `/try?sample=${t}`,
  "address: next": (t) => `/sign-in?next=${t}`,
  "address: subscriber": (t) => `/state/letters/${t}`,
  "address: a parameter that there is not": (t) => `/state?${t}=${t}`,
  "address: none that there is": (t) => `/${t}`,
  "address: sample as JSON": (t) => `/demo/orders/${t}`,
  "address: asset": (t) => `/assets/${t}`,
  "address: FHIR, version": (t) => `/fhir/${t}/Task`,
  "address: FHIR, id": (t) => `/fhir/R4/Task/${t}`,
  "address: FHIR, patient": (t) => `/fhir/R4/Task?patient=${t}`,
  "address: FHIR, status": (t) => `/fhir/R4/Task?status=${t}`,
  "address: FHIR, _sort": (t) => `/fhir/R4/Task?_sort=${t}`,
  "address: FHIR, a parameter that there is not": (t) => `/fhir/R4/DetectedIssue?${t}=1`,
  "address: FHIR, page": (t) => `/fhir/R4/AuditEvent?page=${t}`,
};
/** What a hook says of itself, and what the prescriber says to its card. */
const HOOK = ["hook: userId", "hook: encounterId", "hook: an element of the context that there is not", "hook: hookInstance"];
const FEEDBACK = ["feedback: code of the reason", "feedback: comment"];
const OTHERS = ["address: done", "person: name", "view: name", "product of the formulary: name", "try: figure of the order"];

const FIELDS = [
  ...Object.keys(TEXTS), ...Object.keys(CODES), ...DONE.map((d) => `work: ${d}`), ...BOXES.map((d) => `work, not sent: ${d}`),
  ...LIST.map((d) => `address: list, ${d}`), ...Object.keys(ADDRESSES), ...HOOK, ...FEEDBACK, ...OTHERS,
];

const TAG = /zq(\d+)x(\d+)z/gi;
/** A string with a mark of its own by which it is found again, where it does not blunt it. */
const mark = (field, nth) => `zq${FIELDS.indexOf(field)}x${nth}z`;
const marked = (field, nth) => {
  const word = strings[nth];
  // What is not understood of an address is repeated as far as 40 characters.
  const behind = /^[=+\-@\t\r]|script:|^data:|^x/i.test(word) && !field.startsWith("address: list");
  return behind ? word + mark(field, nth) : mark(field, nth) + word;
};

/** Elements and attributes of the program's own pages. */
const own = () => {
  const folder = path.join(root, "src/http/pages/templates");
  const source = fs.readdirSync(folder).map((name) => fs.readFileSync(path.join(folder, name), "utf8")).join("\n");
  const names = (pattern) => [...new Set([...source.matchAll(pattern)].map((found) => (found[1] ?? "autofocus").toLowerCase()))];
  return { elements: [...names(/<([a-z][a-z0-9]*)/gi), "html", "tbody"], attributes: names(/\s([a-z][a-zA-Z0-9-]*)(?==")|\b(?:autofocus)\b/g).concat(["hidden", "selected", "checked", "required", "open", "defer"]) };
};

module.exports = ({ program, sample, orderIn, watched, is, holds }) => async (browser) => {
  holds(strings.length >= 300 && new Set(strings).size === strings.length, `${strings.length} strings`);
  const folder = fs.mkdtempSync(path.join(os.tmpdir(), "eg-strings-"));
  const pairs = new Map(FIELDS.map((field) => [field, { shown: new Set(), refused: new Set(), answered: new Set() }]));
  const note = (field, nth, what) => pairs.get(field)[what].add(nth);
  /** The string of a field on the nth round: over all rounds every string is in every field. */
  const of = (field, round) => (round + 13 * FIELDS.indexOf(field)) % strings.length;
  const text = (field, round) => marked(field, of(field, round));

  // The formulary's names: a file with a string in each.
  const quoted = (value) => `"${value.replaceAll('"', '""')}"`;
  const head = fs.readFileSync(path.join(root, "deploy/demo/formulary.csv"), "utf8").split("\n").filter((line) => !line.startsWith("#"));
  const [columns, like] = [head[0].split(","), head.find((line) => line.startsWith("A12,") || line.includes("A12"))];
  const filled = (nth) => {
    const cells = like.match(/("([^"]|"")*"|[^,]*)(,|$)/g).map((cell) => cell.replace(/,$/, ""));
    const set = (name, value) => { cells[columns.indexOf(name)] = value; };
    set("key", `s${nth}`);
    set("name", quoted(marked("product of the formulary: name", nth)));
    set("aliases", "");
    set("identifiers", "");
    set("codes", quoted(`urn:invented:strings|s${nth}`));
    return cells.slice(0, columns.length).join(",");
  };
  const file = path.join(folder, "formulary.csv");
  const begin = () => new Promise((resolve, reject) => {
    const names = strings.map((_, nth) => nth).filter((nth) => !pairs.get("product of the formulary: name").refused.has(nth));
    fs.writeFileSync(file, [head[0], ...names.map(filled)].join("\n"));
    const child = spawn(program, ["serve", "--listen", "127.0.0.1:0", "--formulary", file, "--rulebook", "none", "--store", path.join(folder, "queue.sqlite")], { stdio: ["ignore", "pipe", "pipe"], env: { ...process.env, ENTERAL_GATE_LOG: "off" } });
    let said = "";
    child.on("exit", (code) => reject(new Error(`the service ended: ${code} ${said}`)));
    for (const stream of [child.stdout, child.stderr]) {
      stream.on("data", (bytes) => {
        said += bytes;
        const found = /(http:\/\/[\d.:]+)\/sign-in#(\w+)/.exec(said);
        if (found) resolve({ child, base: found[1], token: found[2] });
      });
    }
  });
  // A name that the reader of formularies refuses is refused by the name of its product, with all others of its kind.
  const service = await begin().catch((error) => {
    for (const [, nth] of error.message.matchAll(/product s(\d+): error/g)) note("product of the formulary: name", Number(nth), "refused");
    return begin();
  });
  service.child.removeAllListeners("exit");

  /** An answer's own headers: none is of a string, and no browser takes JSON for a page. */
  const heads = (headers, where, failed) => {
    const bad = [...headers.entries()].filter(([name, value]) => name === "x-ran" || (name === "location" && !/^\/[^/\\]/.test(value)) || (name === "set-cookie" && /(^|[\s,;])ran=/.test(value)));
    if (headers.get("x-content-type-options") !== "nosniff") bad.push("no nosniff");
    if (failed && bad.length) failed.push(`${where}: ${JSON.stringify(bad)}`);
    else is(bad, [], `headers of ${where}`);
  };
  const call = async (address, options, where) => {
    const answer = await fetch(service.base + address, { redirect: "manual", ...options });
    heads(answer.headers, where);
    return answer;
  };
  const posted = (cookie, fields) => ({ method: "POST", headers: { "content-type": "application/x-www-form-urlencoded", origin: service.base, ...(cookie ? { cookie } : {}) }, body: new URLSearchParams(fields).toString() });
  const json = (body) => ({ method: "POST", headers: { "content-type": "application/json" }, body: JSON.stringify(body) });
  const enter = async (name) => {
    const answer = await call("/sign-in", posted(null, { token: service.token, name, job: "pharmacist", next: "/queue" }), "the sign-in");
    return answer.status === 303 ? answer.headers.get("set-cookie").split(";")[0] : null;
  };

  const allowed = own();
  /** What the page that is open holds: nothing of theirs but text. */
  const look = async (w, where) => {
    const found = await w.page.evaluate(({ elements, attributes, tag }) => {
      const bad = [];
      for (const element of document.querySelectorAll("*")) {
        const name = element.localName;
        if (!elements.includes(name)) bad.push(`<${name}>`);
        for (const { name: attribute, value } of element.attributes) {
          if (!attributes.includes(attribute.toLowerCase()) || attribute.startsWith("on")) bad.push(`<${name} ${attribute}>`);
          if (["href", "src", "action", "formaction", "data"].includes(attribute) && new URL(value, location.href).origin !== location.origin) bad.push(`<${name} ${attribute}=${value}>`);
        }
      }
      const scripts = [...document.scripts].map((script) => script.getAttribute("src"));
      if (String(scripts) !== "/assets/gate.js") bad.push(`scripts ${scripts}`);
      const marks = [...new Set(document.documentElement.outerHTML.match(new RegExp(tag, "gi")))];
      return { bad, ran: window.ran ?? null, violations: window.violations, marks };
    }, { ...allowed, tag: TAG.source });
    is([found.bad, found.ran, found.violations], [[], null, []], where);
    for (const [, field, nth] of found.marks.join(" ").matchAll(TAG)) note(FIELDS[Number(field)], Number(nth), "shown");
  };

  const colleague = await enter("Invented Colleague");
  holds(colleague, "the colleague signs in");
  const plain = (bundle) => {
    const order = orderIn(bundle);
    const patient = bundle.entry.map((e) => e.resource).find((r) => r.resourceType === "Patient");
    return [order, patient];
  };
  /** A document with the strings of a round; `only`: with one field hostile, where a string keeps the whole from being read. */
  const document = (fields, round, name, only) => {
    const bundle = sample("demo-8-hold-in-text");
    const [order, patient] = plain(bundle);
    order.id = name;
    order.encounter = { display: "Invented ward" };
    order.enteralFormula.baseFormulaType.coding[0].system = "urn:invented:strings";
    order.enteralFormula.baseFormulaType.coding[0].code = `s${of("product of the formulary: name", round)}`;
    order.extension = [];
    for (const [field, put] of Object.entries(fields)) if (!only || only === field) put(order, patient, text(field, round));
    if (order.extension.length === 0) delete order.extension;
    return bundle;
  };
  const itemOf = async (cookie, wanted) => {
    const page = await (await call(`/queue?lane=all&state=all&q=${encodeURIComponent(wanted)}`, { headers: { cookie } }, "the list")).text();
    const rows = [...page.matchAll(/<a class="open" href="\/queue\/([0-9a-f-]{36})">([^<]*)</g)];
    return rows.find(([, , label]) => label === wanted || (wanted.startsWith("zq") && label.includes(wanted)))?.[1];
  };
  const operated = async (document) => {
    const answer = await call("/fhir/R4/NutritionOrder/$appraise", { ...json(document), headers: { "content-type": "application/fhir+json" } }, "the operation");
    is(answer.status, 200, "the operation");
  };
  const colleagues = /name="csrf" value="([^"]+)"/.exec(await (await call("/queue", { headers: { cookie: colleague } }, "the list")).text())[1];

  /** A form as the pages send it, by the browser: the answer is the page that is looked at. */
  const send = (w, action, fields) => Promise.all([w.page.waitForNavigation(), w.page.evaluate(([action, fields]) => {
    const form = document.createElement("form");
    form.method = "post";
    form.action = action;
    for (const [name, value] of Object.entries(fields)) {
      const box = document.createElement("textarea");
      box.name = name;
      box.value = value;
      form.append(box);
    }
    document.body.append(form);
    form.submit();
  }, [action, fields])]);

  const round = async (w, n) => {
    let cookie = await enter(text("person: name", n));
    if (!cookie) {
      note("person: name", of("person: name", n), "refused");
      cookie = colleague;
    }
    const [key, value] = cookie.split(/=(.*)/s);
    await w.context.addCookies([{ name: key, value, url: service.base }]);

    // The order comes from a hook; one with codes that are none by the operation.
    const bundle = document(TEXTS, n, `text-${n}`);
    const [order, patient] = plain(bundle);
    const request = {
      hook: "order-sign", hookInstance: text("hook: hookInstance", n), prefetch: { patient },
      context: { userId: text("hook: userId", n), encounterId: text("hook: encounterId", n), patientId: patient.id, draftOrders: { resourceType: "Bundle", type: "collection", entry: [{ resource: { ...order, status: "draft" } }] }, [text("hook: an element of the context that there is not", n)]: "x" },
    };
    const hooked = await call("/cds-services/tube-feeding-order-sign", json(request), "a hook");
    is(hooked.status, 200, "a hook");
    const answer = await hooked.text();
    for (const field of HOOK) holds(!answer.includes(text(field, n)), `${field} comes back`);
    for (const field of HOOK) note(field, of(field, n), "answered");
    const reason = { code: text("feedback: code of the reason", n), system: "urn:invented" };
    const feedback = { feedback: [{ card: JSON.parse(answer).cards[0].uuid, outcome: "overridden", outcomeTimestamp: "2026-11-25T08:00:00Z", overrideReason: { reason, userComment: text("feedback: comment", n) } }] };
    is((await call("/cds-services/tube-feeding-order-sign/feedback", json(feedback), "feedback")).status, 200, "feedback");
    const coded = document(CODES, n, `code-${n}`);
    await operated(coded);

    const item = await itemOf(cookie, `text-${n}`);
    const page = await (await call(`/queue/${item}`, { headers: { cookie } }, "an order")).text();
    const csrf = /name="csrf" value="([^"]+)"/.exec(page)[1];
    let version = Number(/data-version="(\d+)"/.exec(page)[1]);
    const act = async (act, extra, [as, own] = [cookie, csrf]) => {
      const done = await call(`/queue/${item}`, posted(as, { csrf: own, seen: version, command: `${n}-${version}`, lane: "pharmacist", act, [`${act}-text`]: text(`work: ${act}`, n), ...extra }), act);
      is(done.status, 303, `${act} with ${JSON.stringify(text(`work: ${act}`, n))}`);
      version += 1;
    };
    await act("hand-over", { to: "pharmacist:invented colleague" });
    await act("give-back", {}, [colleague, colleagues]);
    await act("ask-prescriber");
    await act("snooze", { minutes: "60" });
    await act("accept", { reason: "other" });
    await act("reopen");
    await act("close-as-changed");
    await act("reopen", { "reopen-text": "again" });
    const boxes = Object.fromEntries(BOXES.map((box) => [`${box}-text`, text(`work, not sent: ${box}`, n)]));
    await send(w, `/queue/${item}`, { csrf, seen: version, command: `${n}-comment`, lane: "pharmacist", act: "comment", "comment-text": text("work: comment", n), ...boxes });
    await look(w, `an order with what was done, round ${n}`);
    is(await w.page.locator("#act-comment").count(), 1, "it can be worked on");
    const opened = await itemOf(cookie, mark("order: id", of("order: id", n)));
    holds(opened, "the order with codes that are none is on the queue");
    await w.page.goto(`${service.base}/queue/${opened}?done=${encodeURIComponent(text("address: done", n))}`);
    await look(w, `an order with codes that are none, round ${n}`);
    note("address: done", of("address: done", n), "answered");

    // A view is kept, and the list shown as it.
    const list = Object.fromEntries(LIST.map((parameter) => [parameter, text(`address: list, ${parameter}`, n)]));
    const view = await call("/queue/views", posted(cookie, { csrf, act: "keep", name: text("view: name", n), query: new URLSearchParams(list).toString() }), "a view");
    if (view.status === 422) note("view: name", of("view: name", n), "refused");
    await w.page.goto(`${service.base}/queue?${new URLSearchParams(list)}`);
    await look(w, `the list, round ${n}`);

    for (const [field, address] of Object.entries(ADDRESSES)) {
      const at = address(encodeURIComponent(text(field, n)));
      const answer = await call(at, { headers: { cookie } }, field);
      const kind = answer.headers.get("content-type") ?? "nothing";
      if ((await answer.text()).toLowerCase().includes(mark(field, of(field, n)).toLowerCase()) && !/^application\/(fhir\+)?json/.test(kind)) {
        await w.page.goto(service.base + at);
        await look(w, `${field}, round ${n}`);
      }
      note(field, of(field, n), "answered");
    }
    // Both documents on the page to try an order.
    for (const { resource } of coded.entry) if (resource.resourceType === "NutritionOrder") bundle.entry.push({ resource });
    await send(w, "/try", { json: JSON.stringify(bundle), version: "R4" });
    await look(w, `the page to try an order, round ${n}`);
  };

  /** Figures of an order on the page to try it, as many strings at a time as it has figures. */
  const figures = async (w) => {
    const own = JSON.stringify(sample("demo-5-steps-over-cap"));
    await send(w, "/try", { json: own, version: "R4" });
    const fields = await w.page.locator("#fields input[name]").evaluateAll((list) => list.map((input) => [input.name, input.value]));
    const many = fields.filter(([name]) => name.startsWith("now")).length;
    holds(many > 3, `${many} figures`);
    for (let from = 0; from < strings.length; from += many) {
      const changed = fields.map(([name, value]) => {
        const nth = name.startsWith("now") ? from + Number(name.slice(3)) : strings.length;
        return [name, nth < strings.length ? marked("try: figure of the order", nth) : value];
      });
      await send(w, "/try", { json: own, version: "R4", ...Object.fromEntries(changed) });
      await look(w, `figures from ${from}`);
    }
  };

  try {
    // Two at a time; what fails is told with its round, and the others go on.
    const [next, failed] = [{ n: 0 }, []];
    const small = { viewport: { width: 640, height: 480 } };
    const both = [await watched(browser, service, small), await watched(browser, service, small)];
    // What is looked for is found where it stands in a page as HTML.
    const control = await watched(browser, service, small);
    for (const word of ["<img src=x onerror=window.ran=1>", "<a href=//evil.example>x</a>", "<p onclick=x>", "<script src=/assets/gate.js></script>"]) {
      await control.page.goto(`${service.base}/keys`);
      await control.page.evaluate((word) => document.querySelector("main").insertAdjacentHTML("beforeend", word), word);
      const found = await look(control, "the control").then(() => null, (error) => error.message);
      holds(found?.startsWith("the control: "), `${word} was not noticed`);
    }
    await control.context.close();
    for (const w of both) w.page.on("response", (answer) => heads(new Map(Object.entries(answer.headers())), answer.url(), failed));
    await Promise.all(both.map(async (w) => {
      await w.page.goto(`${service.base}/sign-in`);
      while (next.n < strings.length && failed.length < 5) {
        const n = next.n++;
        await round(w, n).catch((error) => failed.push(`round ${n}: ${error.stack}`));
      }
    }));
    is(failed, [], "rounds");
    const [w] = both;
    await figures(w);
    // Everything that came, listed; who there is, the rules and the service.
    for (let at = "/queue?lane=all&state=all"; at; at = await w.page.locator("a.button", { hasText: /^More$/ }).getAttribute("href", { timeout: 1000 }).catch(() => null)) {
      await w.page.goto(service.base + at);
      await look(w, `the list ${at}`);
    }
    for (const at of ["/", "/rules", "/state", "/keys"]) {
      await w.page.goto(service.base + at);
      await look(w, at);
    }
    for (const own of both) await own.done();

    const silent = new Set([...Object.keys(ADDRESSES), ...HOOK, "address: done"]);
    const bounded = new Set(["person: name", "view: name", "product of the formulary: name"]);
    const sum = { shown: 0, refused: 0, answered: 0 };
    for (const [field, found] of pairs) {
      const missing = strings.filter((_, nth) => {
        const how = found.shown.has(nth) ? "shown" : bounded.has(field) && found.refused.has(nth) ? "refused" : silent.has(field) && found.answered.has(nth) ? "answered" : null;
        if (how) sum[how] += 1;
        return !how;
      });
      is(missing, [], `strings that were not shown: ${field}`);
    }
    const all = strings.length * FIELDS.length;
    console.log(`  ${strings.length} strings in ${FIELDS.length} fields, ${all} pairs: ${sum.shown} shown in a page, ${sum.answered} in an address or a hook and in no page, ${sum.refused} refused for their length or for characters that are not seen`);
    holds(sum.shown + sum.refused + sum.answered === all, "a string was not in a field");
    holds(sum.shown >= 0.6 * all, "most are shown");
  } finally {
    service.child.kill("SIGTERM");
    fs.rmSync(folder, { recursive: true, force: true });
  }
};
