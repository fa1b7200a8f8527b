"use strict";
// Compares what the units claim (a file written by tests/units_export.rs) with @lhncbc/ucum-lhc.
// Every difference must be listed in differences.json with its reason, and every listed one must occur.
const fs = require("node:fs");
const path = require("node:path");
const ucum = require("@lhncbc/ucum-lhc").UcumLhcUtils.getInstance();

const claims = JSON.parse(fs.readFileSync(process.argv[2], "utf8"));
const differences = JSON.parse(fs.readFileSync(path.join(__dirname, "differences.json"), "utf8"));
const TOLERANCE = 1e-12;
// The library reports some refusals on the console as well.
console.log = () => {};
const say = (line) => process.stdout.write(line + "\n");

let passed = 0;
const failures = [];
const check = (ok, what) => (ok ? (passed += 1) : failures.push(what));

/** "num/den" as the nearest double. */
function double(ratio) {
  const [num, den] = ratio.split("/").map(BigInt);
  const digits = 10n ** 40n;
  const scaled = (num * digits) / den;
  return Number(scaled.toString() + "e-40");
}
const close = (a, b) => a === b || Math.abs(a - b) <= TOLERANCE * Math.max(Math.abs(a), Math.abs(b));
const isValid = (code) => code !== "" && ucum.validateUnitString(code, false).status === "valid";

for (const code of claims.valid) check(isValid(code), `${code}: claimed valid, the library refuses it`);
for (const code of claims.known_not_computed) check(isValid(code), `${code}: claimed to be known UCUM, the library refuses it`);

for (const [from, to, factor] of claims.conversions) {
  const got = ucum.convertUnitTo(from, 1, to, {});
  check(got.status === "succeeded" && close(got.toVal, double(factor)), `1 ${from} in ${to}: claimed ${factor}, the library ${got.toVal} ${got.msg}`);
}

// Other dimension here: the library must not convert either, unless UCUM itself sees one dimension where
// two are kept apart on purpose (mol, eq, osm; a mass per a mass).
let stricter = 0;
for (const [from, to, oneInUcum] of claims.apart) {
  if (oneInUcum) {
    stricter += 1;
    continue;
  }
  const got = ucum.convertUnitTo(from, 1, to, {});
  check(got.status !== "succeeded", `${from} to ${to}: refused here, the library converts (${got.toVal})`);
}

const used = new Set();
for (const [code, ours] of claims.refused) {
  const theirs = isValid(code);
  if (ours === theirs) {
    check(!(code in differences), `${code}: listed as a difference, but both say ${ours}`);
  } else {
    used.add(code);
    check(typeof differences[code] === "string" && differences[code].length > 0, `${code}: here ${ours}, the library ${theirs}, and no reason is listed`);
  }
}
for (const code of Object.keys(differences)) check(used.has(code), `${code}: listed as a difference and never met`);

for (const [given, readAs, inCode] of claims.aliases) {
  check(isValid(readAs), `alias ${given}: ${readAs} is not valid`);
  // A spelling accepted in a code must not be a code with a meaning of its own.
  if (inCode) check(!isValid(given), `alias ${given}: accepted in a code, and the library knows it as a code of its own`);
}

for (const [name, mass, charge, from, to, factor] of claims.elements) {
  if (from === to) {
    check(double(factor) === 1, `${name}: ${from} to itself`);
    continue;
  }
  const got = ucum.convertUnitTo(from, 1, to, { molecularWeight: double(mass), charge });
  check(got.status === "succeeded" && close(got.toVal, double(factor)), `${name}: 1 ${from} in ${to}: claimed ${factor}, the library ${got.toVal} ${got.msg}`);
}

for (const failure of failures.slice(0, 200)) say("FAILED " + failure);
say(`${claims.valid.length} codes, ${claims.conversions.length} conversions, ${claims.apart.length - stricter} refused conversions, ` +
  `${stricter} kept apart on purpose, ${used.size} listed differences, ${claims.elements.length} element conversions`);
say(`${passed} passed, ${failures.length} failed`);
process.exit(failures.length === 0 ? 0 : 1);
