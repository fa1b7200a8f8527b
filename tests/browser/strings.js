// Hostile strings in every field that a person, a client or a resource can put text into, shown in a browser. What is held:
// Content Security Policy 3 (nothing of an order ever runs, nothing is refused because nothing is tried), the HTML standard
// (no element and no attribute is theirs), RFC 9110 (no header is theirs).
"use strict";

const { spawn } = require("node:child_process");
const crypto = require("node:crypto");
const fs = require("node:fs");
const http = require("node:http");
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

/** Codings and quantities that a rule or a fact reads. */
const loinc = (code) => ({ coding: [{ system: "http://loinc.org", code }] });
const ucum = (value, code, unit) => ({ value, unit, system: "http://unitsofmeasure.org", code });

/**
 * What is sent beside an order, R4: the key of the hook under which it comes, the resource, and where the string stands. With
 * `sheet` the string stands on the page of the order, apart from the order as it was sent.
 */
const CONTEXT = {
  "observation: unit of the weight": ["weights", (t) => observation("29463-7", "2026-11-24T08:00:00+01:00", ucum(72, "kg", t)), "sheet"],
  "observation: unit of an earlier weight": ["weights", (t) => observation("29463-7", "2026-11-20T08:00:00+01:00", ucum(71, "kg", t)), "sheet"],
  "observation: code of the unit of a height": ["heights", (t) => observation("8302-2", "2026-11-24T08:00:00+01:00", { value: 175, system: "http://unitsofmeasure.org", code: t }), "sheet"],
  "observation: unit of a laboratory value": ["labs", (t) => ({ ...observation("2823-3", "2026-11-25T06:00:00+01:00", ucum(4, "mmol/L", t)), category: [{ coding: [{ code: "laboratory" }] }] }), "sheet"],
  "observation: text of its code": ["labs", (t) => ({ ...observation("2951-2", "2026-11-25T06:00:00+01:00", ucum(140, "mmol/L", "mmol/L")), category: [{ coding: [{ code: "laboratory" }] }], code: { ...loinc("2951-2"), text: t } })],
  "observation: a value in words": ["labs", (t) => ({ ...observation("2160-0", "2026-11-25T06:00:00+01:00"), category: [{ coding: [{ code: "laboratory" }] }], valueString: t })],
  "observation: note": ["heights", (t) => ({ ...observation("8302-2", "2026-11-20T08:00:00+01:00", ucum(175, "cm", "cm")), note: [{ text: t }] })],
  "allergy: text": ["allergies", (t) => ({ resourceType: "AllergyIntolerance", code: { text: t } }), "sheet"],
  "allergy: display of its coding": ["allergies", (t) => ({ resourceType: "AllergyIntolerance", code: { coding: [{ system: "urn:invented", code: "a", display: t }] } }), "sheet"],
  "condition: text": ["conditions", (t) => ({ resourceType: "Condition", code: { text: t } }), "sheet"],
  "medicine: text": ["medicines", (t) => ({ resourceType: "MedicationRequest", status: "active", intent: "order", medicationCodeableConcept: { text: t } }), "sheet"],
  "medicine: contained, its text": ["medicines", (t) => ({ resourceType: "MedicationRequest", status: "active", intent: "order", contained: [{ resourceType: "Medication", id: "m", code: { text: t }, form: { text: "tablet" } }], medicationReference: { reference: "#m" } })],
  "medicine: contained, its form": ["medicines", (t) => ({ resourceType: "MedicationRequest", status: "active", intent: "order", contained: [{ resourceType: "Medication", id: "m", code: { text: "invented" }, form: { text: t } }], medicationReference: { reference: "#m", display: "invented" } })],
  "medicine: dosage": ["medicines", (t) => ({ resourceType: "MedicationRequest", status: "active", intent: "order", medicationCodeableConcept: { text: "invented" }, dosageInstruction: [{ text: t }] })],
  "device: type": ["devices", (t) => ({ resourceType: "Device", patient: true, type: { text: t } }), "sheet"],
  "device: name": ["devices", (t) => ({ resourceType: "Device", patient: true, type: { text: "pump" }, deviceName: [{ name: t, type: "user-friendly-name" }] })],
  "device: its use": ["devices", (t) => ({ resourceType: "DeviceUseStatement", status: "active", device: { display: t }, note: [{ text: t }] })],
  "procedure: text": ["procedures", (t) => ({ resourceType: "Procedure", status: "completed", code: { text: t } }), "sheet"],
  "second order: product name": ["orders", (t, of) => ({ resourceType: "NutritionOrder", status: "active", intent: "order", dateTime: "2026-11-24T07:00:00+01:00", enteralFormula: { baseFormulaProductName: t, administrationInstruction: of("second order: instruction"), administration: [{ rateQuantity: ucum(10, "mL/h", "mL/h") }] } }), "sheet"],
  "second order: instruction": [null, null, "sheet"], // of the same order
};
const observation = (code, at, valueQuantity) => ({ resourceType: "Observation", status: "final", code: loinc(code), effectiveDateTime: at, ...(valueQuantity && { valueQuantity }) });

/** Fields that R5 names or shapes in its own way, and what R5 sends beside an order. */
const R5 = {
  "R5 order: patient's display": (o, _, t) => { o.subject.display = t; },
  "R5 order: patient's identifier": (o, _, t) => { o.subject.identifier = { value: t, type: { text: "Number" } }; },
  "R5 order: encounter": (o, _, t) => { o.encounter.display = t; },
  "R5 order: group": (o, _, t) => { o.groupIdentifier = { system: "urn:invented", value: t }; },
  "R5 order: orderer": (o, _, t) => { o.orderer = { display: t }; },
  "R5 order: performer": (o, _, t) => { o.performer = [{ concept: { text: t } }]; },
  "R5 order: note": (o, _, t) => { o.note = [{ text: t }]; },
  "R5 order: instantiates": (o, _, t) => { o.instantiates = [t]; },
  "R5 order: product type": (o, _, t) => { o.enteralFormula.baseFormulaType.concept.text = t; },
  "R5 order: product coding's display": (o, _, t) => { o.enteralFormula.baseFormulaType.concept.coding[0].display = t; },
  "R5 order: product reference's display": (o, _, t) => { o.enteralFormula.baseFormulaType.reference.display = t; },
  "R5 order: product name": (o, _, t) => { o.enteralFormula.baseFormulaProductName = t; },
  "R5 order: delivery device": (o, _, t) => { o.enteralFormula.deliveryDevice = [{ concept: { text: t } }]; },
  "R5 order: additive's name": (o, _, t) => { o.enteralFormula.additive[0].productName = t; },
  "R5 order: additive's type": (o, _, t) => { o.enteralFormula.additive[1].type.concept.text = t; },
  "R5 order: unit of an additive": (o, _, t) => { o.enteralFormula.additive[0].quantity.unit = t; },
  "R5 order: route": (o, _, t) => { o.enteralFormula.routeOfAdministration.text = t; },
  "R5 order: instruction": (o, _, t) => { o.enteralFormula.administrationInstruction = t; },
  "R5 order: why it is given as needed": (o, _, t) => { o.supplement[0].schedule = { asNeeded: true, asNeededFor: { text: t } }; },
  "R5 order: supplement's type": (o, _, t) => { o.supplement[0].type = { concept: { text: t } }; },
  "R5 order: supplement's name": (o, _, t) => { o.supplement[0].productName = t; },
  "R5 order: oral diet's instruction": (o, _, t) => { o.oralDiet = { instruction: t }; },
  "R5 product: text": (_, c, t) => { c.NutritionProduct.code = { text: t }; },
  "R5 product: manufacturer": (_, c, t) => { c.NutritionProduct.manufacturer = [{ display: t }]; },
  "R5 product: note": (_, c, t) => { c.NutritionProduct.note = [{ text: t }]; },
  "R5 encounter: location's display, the ward": (_, c, t) => { c.Encounter.location = [{ location: { reference: "Location/l", display: t } }]; },
  "R5 encounter: class": (_, c, t) => { c.Encounter.class = [{ coding: [{ system: "urn:invented", code: "c", display: t }], text: t }]; },
  "R5 encounter: type": (_, c, t) => { c.Encounter.type = [{ text: t }]; },
  "R5 location: name": (_, c, t) => { c.Location.name = t; },
  "R5 medicine: text": (_, c, t) => { c.MedicationRequest.medication = { concept: { text: t } }; },
  "R5 device: its use": (_, c, t) => { c.DeviceUsage.device = { concept: { text: t } }; },
};
/** Of those, the ones that stand on the page of the order, apart from the order as it was sent. */
const R5_SHEET = ["patient's display", "patient's identifier", "orderer", "product name", "additive's name", "additive's type", "route", "instruction"].map((name) => `R5 order: ${name}`).concat("R5 medicine: text");

/** Whoever signs in at the institution's provider: the name that it signed. */
const CLAIMS = ["provider: name"];

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
  ...Object.keys(CONTEXT), ...Object.keys(R5), ...CLAIMS,
];
/** Fields whose strings have to stand on a page as text, not only in the box with the order as it was sent. */
const ON_A_PAGE = [
  ...Object.keys(CONTEXT).filter((field) => CONTEXT[field][2] === "sheet"), ...R5_SHEET, ...CLAIMS,
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
  const pairs = new Map(FIELDS.map((field) => [field, { shown: new Set(), page: new Set(), refused: new Set(), answered: new Set() }]));
  /** What stood on the pages of orders: rules by which something was found, ways out, and what was tried. */
  const stood = { rules: new Set(), waysOut: 0, offers: 0 };
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
  const begin = (rulebook, more = ["--listen", "127.0.0.1:0"], base = null) => new Promise((resolve, reject) => {
    const names = strings.map((_, nth) => nth).filter((nth) => !pairs.get("product of the formulary: name").refused.has(nth));
    fs.writeFileSync(file, [...head.filter((line) => line), ...names.map(filled)].join("\n"));
    const child = spawn(program, ["serve", ...more, "--formulary", file, "--rulebook", rulebook, "--store", path.join(folder, "queue.sqlite")], { stdio: ["ignore", "pipe", "pipe"], env: { ...process.env, ENTERAL_GATE_LOG: "off" } });
    let said = "";
    child.on("exit", (code) => reject(new Error(`the service ended: ${code} ${said}`)));
    for (const stream of [child.stdout, child.stderr]) {
      stream.on("data", (bytes) => {
        said += bytes;
        const found = /(http:\/\/[\d.:]+)\/sign-in#(\w+)/.exec(said);
        if (found) resolve({ child, base: found[1], token: found[2] });
        else if (base && said.includes(base)) resolve({ child, base });
      });
    }
  });
  // A name that the reader of formularies refuses is refused by the name of its product, with all others of its kind.
  const service = await begin("starter").catch((error) => {
    for (const [, nth] of error.message.matchAll(/product s(\d+): error/g)) note("product of the formulary: name", Number(nth), "refused");
    return begin("starter");
  });
  service.child.removeAllListeners("exit");
  /** The service ends, and another begins with what it kept. */
  const again = async (...how) => {
    await new Promise((resolve) => { service.child.once("exit", resolve).kill("SIGTERM"); });
    Object.assign(service, await begin(...how));
    service.child.removeAllListeners("exit");
  };

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
      const marks = (text) => [...new Set(text.match(new RegExp(tag, "gi")))];
      // Boxes and the order as it was sent hold a text as it is; elsewhere what is not seen is shown as U+FFFD.
      const texts = document.documentElement.cloneNode(true);
      texts.querySelectorAll("textarea, pre").forEach((element) => element.remove());
      const unseen = /.{0,30}[\0-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u200b-\u200f\u202a-\u202e\u2060-\u2069\ufeff].{0,10}/.exec(texts.textContent);
      if (unseen) bad.push(`what is not seen: ${JSON.stringify(unseen[0])}`);
      const all = (selector) => [...document.querySelectorAll(selector)];
      return {
        bad, ran: window.ran ?? null, violations: window.violations, marks: marks(document.documentElement.outerHTML), page: marks(texts.textContent),
        rules: all(".findings .finding .from a").map((link) => link.textContent), waysOut: all(".finding p > strong").filter((head) => head.textContent === "A way out:").length, offers: all(".finding .offer").length,
      };
    }, { ...allowed, tag: TAG.source });
    is([found.bad, found.ran, found.violations], [[], null, []], where);
    for (const [, field, nth] of found.marks.join(" ").matchAll(TAG)) note(FIELDS[Number(field)], Number(nth), "shown");
    for (const [, field, nth] of found.page.join(" ").matchAll(TAG)) note(FIELDS[Number(field)], Number(nth), "page");
    for (const rule of found.rules) stood.rules.add(rule);
    stood.waysOut += found.waysOut;
    stood.offers += found.offers;
    return found;
  };

  let [colleague, colleagues] = [null, null];
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
  /** What is sent beside an order of a patient, each with the key of the hook under which it comes. */
  const context = (patient, name, round) => Object.entries(CONTEXT).filter(([, [key]]) => key).map(([field, [key, make]], nth) => {
    const resource = { ...make(text(field, round), (other) => text(other, round)), id: `${name}-${nth}` };
    const whose = ["Device", "NutritionOrder", "AllergyIntolerance"].includes(resource.resourceType) ? "patient" : "subject";
    return [key, { ...resource, [whose]: { reference: `Patient/${patient.id}` } }];
  });
  const entry = (resource) => ({ fullUrl: `https://invented.example/${resource.resourceType}/${resource.id}`, resource });
  /** An order as R5 has it, with what is sent beside it. */
  const inR5 = (round) => {
    const id = `r5-${round}`;
    const subject = { reference: `Patient/${id}` };
    const order = {
      resourceType: "NutritionOrder", id, status: "active", intent: "order", subject: { ...subject }, dateTime: "2026-11-25T07:00:00+01:00",
      encounter: { reference: `Encounter/${id}` }, supplement: [{}],
      enteralFormula: {
        baseFormulaType: { concept: { coding: [{ system: "urn:invented:strings", code: `s${of("product of the formulary: name", round)}` }] }, reference: { reference: `NutritionProduct/${id}` } },
        additive: [{ quantity: ucum(10, "g", "g") }, { type: { concept: {} }, quantity: ucum(5, "mL", "mL") }],
        routeOfAdministration: {}, administration: [{ schedule: { timing: [{ repeat: { boundsPeriod: { start: "2026-11-25T07:00:00+01:00" } } }] }, rateQuantity: ucum(60, "mL/h", "mL/h") }],
      },
    };
    const beside = {
      NutritionProduct: { resourceType: "NutritionProduct", id, status: "active" },
      Encounter: { resourceType: "Encounter", id, status: "in-progress", subject },
      Location: { resourceType: "Location", id, status: "active" },
      MedicationRequest: { resourceType: "MedicationRequest", id, status: "active", intent: "order", subject },
      DeviceUsage: { resourceType: "DeviceUsage", id, status: "active", patient: subject },
    };
    for (const [field, put] of Object.entries(R5)) put(order, beside, text(field, round));
    const patient = { resourceType: "Patient", id, name: [{ text: "Invented" }] };
    return [patient, order, ...Object.values(beside)].map(entry);
  };
  /** Rounds of R5 orders in one document. */
  const AT_A_TIME = 4;
  const itemOf = async (cookie, wanted) => {
    const page = await (await call(`/queue?lane=all&state=all&q=${encodeURIComponent(wanted)}`, { headers: { cookie } }, "the list")).text();
    const rows = [...page.matchAll(/<a class="open" href="\/queue\/([0-9a-f-]{36})">([^<]*)</g)];
    return rows.find(([, , label]) => label === wanted || (wanted.startsWith("zq") && label.includes(wanted)))?.[1];
  };
  const operated = async (document, version = "R4") => {
    const answer = await call(`/fhir/${version}/NutritionOrder/$appraise`, { ...json(document), headers: { "content-type": "application/fhir+json" } }, "the operation");
    is(answer.status, 200, "the operation");
  };
  const csrfOf = async (cookie) => /name="csrf" value="([^"]+)"/.exec(await (await call("/queue", { headers: { cookie } }, "the list")).text())[1];

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
    const beside = context(patient, `beside-${n}`, n);
    const searches = {};
    for (const [key, resource] of beside) {
      searches[key] ??= { resourceType: "Bundle", type: "searchset", entry: [] };
      searches[key].entry.push({ ...entry(resource), search: { mode: "match" } });
    }
    const request = {
      hook: "order-sign", hookInstance: text("hook: hookInstance", n), prefetch: { patient, ...searches },
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
    // Both documents on the page to try an order, with what is sent beside it.
    for (const { resource } of coded.entry) if (resource.resourceType === "NutritionOrder") bundle.entry.push({ resource });
    bundle.entry.push(...beside.map(([, resource]) => ({ resource })));
    await send(w, "/try", { json: JSON.stringify(bundle), version: "R4" });
    await look(w, `the page to try an order, round ${n}`);
    if (n === 0) {
      await operated({ ...bundle, entry: bundle.entry.slice(0, 4) }, "R4B");
      await send(w, "/try", { json: JSON.stringify(bundle), version: "R4B" });
      await look(w, "the same in R4B");
      holds(await w.page.locator("article.sheet").count() > 0, "the order was read in R4B");
    }
    if (n % AT_A_TIME === 0) {
      const rounds = Array.from({ length: AT_A_TIME }, (_, more) => n + more).filter((round) => round < strings.length);
      const r5 = { resourceType: "Bundle", type: "collection", entry: rounds.flatMap(inR5) };
      await operated(r5, "R5");
      await send(w, "/try", { json: JSON.stringify(r5), version: "R5" });
      await look(w, `the page to try an order of R5, round ${n}`);
      is(await w.page.locator("article.sheet").count(), rounds.length, "orders of R5 that were read");
    }
  };

  /** Every order of the demonstration, as it is and at a rate that nobody means, judged by the starter rulebook; strings in names alone: what is found is as without them. */
  const judged = async (w) => {
    const names = ["order: patient's display", "order: orderer", "order: encounter, the ward", "patient: name", "patient: identifier"];
    const files = fs.readdirSync(path.join(root, "deploy/demo/orders"));
    for (const [nth, file] of [...files, ...files].entries()) {
      const bundle = sample(path.basename(file, ".json"));
      const [order, patient] = plain(bundle);
      if (order.subject) continue; // of R5
      for (const name of names) TEXTS[name](order, patient, text(name, nth));
      const rate = order.enteralFormula.administration[0].rateQuantity;
      if (nth >= files.length && rate) rate.value = 400;
      order.id = `judged-${nth}`;
      await operated(bundle);
      await send(w, "/try", { json: JSON.stringify(bundle), version: "R4" });
      await look(w, `${file} by the starter rulebook`);
    }
    const cookie = (await w.context.cookies()).map(({ name, value }) => `${name}=${value}`).join("; ");
    for (let nth = 0, item; nth < 2 * files.length; nth += 4) {
      item = await itemOf(cookie, `judged-${nth}`);
      if (item) await w.page.goto(`${service.base}/queue/${item}`);
      if (item) await look(w, `judged-${nth} by the starter rulebook`);
    }
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

  /** The institution's provider of OpenID Connect (Core 1.0, from memory), and a system that is told of changes and does not take them. */
  const outside = () => {
    const { privateKey, publicKey } = crypto.generateKeyPairSync("ec", { namedCurve: "P-256" });
    const part = (value) => Buffer.from(JSON.stringify(value)).toString("base64url");
    const claims = new Map();
    let greeted = false;
    const server = http.createServer((request, response) => {
      let body = "";
      request.on("data", (bytes) => { body += bytes; }).on("end", () => {
        const here = `http://127.0.0.1:${server.address().port}`;
        const told = (value) => response.setHeader("content-type", "application/json").end(JSON.stringify(value));
        if (request.url.endsWith("/openid-configuration")) return told({ issuer: here, authorization_endpoint: `${here}/authorize`, token_endpoint: `${here}/token`, jwks_uri: `${here}/keys` });
        if (request.url === "/keys") return told({ keys: [{ ...publicKey.export({ format: "jwk" }), kid: "one", alg: "ES256" }] });
        if (request.url === "/token") {
          const now = Math.floor(Date.now() / 1000);
          const said = { iss: here, aud: "enteral-gate", iat: now, exp: now + 300, ...claims.get(new URLSearchParams(body).get("code")) };
          const signed = `${part({ alg: "ES256", kid: "one" })}.${part(said)}`;
          const signature = crypto.sign("sha256", Buffer.from(signed), { key: privateKey, dsaEncoding: "ieee-p1363" }).toString("base64url");
          return told({ access_token: "x", token_type: "Bearer", id_token: `${signed}.${signature}` });
        }
        // The subscriber: it answers its first message, and then with words of its own.
        response.writeHead(greeted ? 503 : 200, "<script>window.ran=1</script>", { "content-type": "text/html", "x-said": "<img src=x onerror=window.ran=1>" });
        greeted = true;
        response.end("<script>window.ran=1</script>");
      });
    });
    return new Promise((resolve) => {
      server.listen(0, "127.0.0.1", () => resolve({ server, claims, port: server.address().port }));
    });
  };

  /** Whoever the provider names signs in and comments; then their names are looked at, and what the subscriber did not take. */
  const signedByOthers = async () => {
    const { server, claims, port } = await outside();
    try {
      const free = await new Promise((resolve) => {
        const probe = http.createServer().listen(0, "127.0.0.1", () => {
          const own = probe.address().port;
          probe.close(() => resolve(own));
        });
      });
      const base = `http://127.0.0.1:${free}`;
      const write = (name, lines) => {
        fs.writeFileSync(path.join(folder, name), lines.join("\n"), { mode: 0o600 });
        return path.join(folder, name);
      };
      const { publicKey } = crypto.generateKeyPairSync("ec", { namedCurve: "P-384" });
      write("client.json", [JSON.stringify({ keys: [{ ...publicKey.export({ format: "jwk" }), kid: "c", alg: "ES384" }] })]);
      const role = (group, is) => ["[[people.role]]", `group = "${group}"`, `is = "${is}"`];
      const access = write("access.toml", [
        `public-url = "${base}"`, "[[client]]", 'name = "order-entry"', 'iss = "https://invented.example"', 'jwks = "client.json"',
        "[people]", 'name = "the invented provider"', `issuer = "http://127.0.0.1:${port}"`, 'client-id = "enteral-gate"', ...role("pharmacy", "pharmacist"), ...role("office", "admin"),
      ]);
      write("secret", ["aW52ZW50ZWQtc2VjcmV0LW9mLTMyLWJ5dGVzLS0tLTE="]);
      const subscribers = write("subscribers.toml", ['base = "https://gate.example/fhir"', "[[subscriber]]", 'id = "board"', `endpoint = "http://127.0.0.1:${port}/board"`, "private-addresses = true", 'secret-file = "secret"', 'fhir = "R4"', "tries = 1"]);
      const listens = ["--listen", `127.0.0.1:${free}`, "--access", access, "--admin-listen", "off", "--subscribers", subscribers];
      await again("starter", listens, base);
      const signIn = async (nth, group) => {
        // The only address that is not the service's own.
        const begun = await fetch(`${base}/sign-in/begin?next=%2Fkeys`, { redirect: "manual" });
        is(begun.status, 303, "the way to the provider");
        const asked = new URL(begun.headers.get("location")).searchParams;
        claims.set(`${nth}`, { sub: `person-${nth}`, name: marked("provider: name", nth), groups: [group], nonce: asked.get("nonce") });
        const kept = begun.headers.get("set-cookie").split(";")[0];
        const done = await call(`/sign-in/answer?state=${asked.get("state")}&code=${nth}`, { headers: { cookie: kept } }, "the way back");
        is(done.status, 200, "the way back");
        const cookie = done.headers.getSetCookie().find((one) => one.startsWith("gate-session=")).split(";")[0];
        const keys = await (await call("/keys", { headers: { cookie } }, "keys")).text();
        return { cookie, csrf: /name="csrf" value="([^"]+)"/.exec(keys)[1] };
      };
      const w = await watched(browser, service, { viewport: { width: 640, height: 480 } });
      const as = async ({ cookie }) => {
        const [name, value] = cookie.split(/=(.*)/s);
        await w.context.addCookies([{ name, value, url: base }]);
      };
      let item;
      for (let nth = 0; nth < strings.length; nth += 1) {
        const one = await signIn(nth, "pharmacy");
        item ??= await itemOf(one.cookie, "text-1");
        const said = await call(`/queue/${item}`, posted(one.cookie, { csrf: one.csrf, seen: 1, command: `n-${nth}`, lane: "pharmacist", act: "comment", "comment-text": "seen" }), "a comment");
        is(said.status, 303, "a comment");
        // Their name in the frame of a page, too.
        if (nth % 20 === 0) {
          await as(one);
          await w.page.goto(`${base}/keys`);
          const found = await look(w, `a page of ${JSON.stringify(marked("provider: name", nth))}`);
          holds(found.page.some((own) => own.toLowerCase() === mark("provider: name", nth)), "their name stands on the page");
        }
      }
      // An administrator sees them all on the order, in its trail and among those to whom it can be handed over.
      const admin = await signIn(0, "office");
      await as(admin);
      await w.page.goto(`${base}/queue/${item}`);
      await look(w, "an order on which everybody commented");
      const offered = await w.page.locator("#to option").count();
      holds(offered >= strings.length - 1, `${offered} colleagues`);
      for (let n = 0; n < 200; n += 1) {
        await w.page.goto(`${base}/state/letters/board`);
        if (await w.page.locator("tbody tr").count() >= 3) break;
        await new Promise((resolve) => { setTimeout(resolve, 200); });
      }
      const rows = await w.page.locator("tbody tr").count();
      holds(rows >= 3, `${rows} messages that did not arrive`);
      const letters = await look(w, "messages that did not arrive");
      is(letters.marks.filter((own) => own.toLowerCase() !== mark("provider: name", 0)), [], "nothing of an order is among the messages");
      holds((await w.page.textContent("main")).includes("answered with status 503"), "why it did not arrive");
      for (const at of ["/state", "/state/letters/board/discard", "/state/letters/board/discard?number=1"]) {
        await w.page.goto(base + at);
        await look(w, at);
      }
      await w.done();
    } finally {
      server.close();
      server.closeAllConnections();
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
    // First by the starter rulebook, then without one.
    const first = await watched(browser, service, small);
    const [key, value] = (await enter("Invented Judge")).split(/=(.*)/s);
    await first.context.addCookies([{ name: key, value, url: service.base }]);
    await first.page.goto(`${service.base}/sign-in`);
    await judged(first);
    await figures(first);
    const limits = await first.page.goto(`${service.base}/rules`).then(() => first.page.locator("section", { hasText: "Limits of the rulebook" }).locator("tbody th").allTextContents());
    const found = limits.filter((limit) => stood.rules.has(limit));
    holds(found.length >= 3 && stood.waysOut > 0 && stood.offers > 0, `limits ${found}, ${stood.waysOut} ways out, ${stood.offers} tried`);
    await first.done();
    await again("none");
    colleague = await enter("Invented Colleague");
    colleagues = await csrfOf(colleague);
    await Promise.all(both.map(async (w) => {
      await w.page.goto(`${service.base}/sign-in`);
      while (next.n < strings.length && failed.length < 5) {
        const n = next.n++;
        await round(w, n).catch((error) => failed.push(`round ${n}: ${error.stack}`));
      }
    }));
    is(failed, [], "rounds");
    const [w] = both;
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
    await signedByOthers();

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
    for (const field of ON_A_PAGE) is(strings.filter((_, nth) => !pairs.get(field).page.has(nth)), [], `strings that do not stand on a page: ${field}`);
    const all = strings.length * FIELDS.length;
    console.log(`  ${strings.length} strings in ${FIELDS.length} fields, ${all} pairs: ${sum.shown} shown in a page, ${sum.answered} in an address or a hook and in no page, ${sum.refused} refused for their length or for characters that are not seen; ${found.length} limits, ${stood.waysOut} ways out and ${stood.offers} changes that were tried stood on the pages`);
    holds(sum.shown + sum.refused + sum.answered === all, "a string was not in a field");
    holds(sum.shown >= 0.6 * all, "most are shown");
  } finally {
    service.child.kill("SIGTERM");
    fs.rmSync(folder, { recursive: true, force: true });
  }
};
