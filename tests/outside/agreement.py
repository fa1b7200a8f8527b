#!/usr/bin/env python3
"""Do our schemas, our program and other people's validators judge the same orders alike?

Takes the valid NutritionOrders of tests/orders/valid (and, when EG_EXTERNAL_CORPUS names a folder, those of
its subfolders r4 and r5), damages each in every systematic way once per kind of element, and asks

  schema   schemas/NutritionOrder-*.schema.json under the Python package `jsonschema` (they are portable)
  program  src/intake/shape.rs, through tests/schemas_verdicts.rs
  outside  fhir_check.py: fhirkit-rs, fhir.resources, HL7's definitions, fhirpathpy

A disagreement must be explained in disagreements.json (by damage, element and version), else it fails; an
explanation that nothing needs fails too (when all are taken). The program's FHIRPath expressions must each select one node.

    agreement.py [--limit N]      N damages per version at most (default 1200), spread evenly; 0 takes all
"""
import argparse
import copy
import glob
import json
import os
import re
import subprocess
import sys
import tempfile
import time
from decimal import Decimal

import jsonschema

import fhir_check

HERE = os.path.dirname(os.path.abspath(__file__))
ROOT = os.path.dirname(os.path.dirname(HERE))
VERSIONS = {"R4": "R4", "R4B": "R4", "R5": "R5"}
CODED = {"status", "intent", "priority", "durationUnit", "periodUnit", "dayOfWeek", "when", "use"}
DATED = {"dateTime", "start", "end", "time", "event", "lastUpdated"}
BAD_DATES = ["2030-13-01", "2030-2-1", "30-01-01", "2030-01-01T10:00", "2030-01-01T10:00:00", "2030-01-01T25:00:00Z",
             "2030-01-01 10:00:00Z", "04/03/2030", "today", "2030-01-32", "0000"]
GOOD_DATES = ["2030", "2030-01", "2030-01-01", "2030-01-01T10:00:00Z", "2030-01-01T23:59:60.999+14:00"]
BAD_TIMES = ["19:00", "24:00:00", "7:00:00", "19:00:00Z", "noon"]


# ---- JSON that keeps number literals ---------------------------------------------------------------------
class Literal(str):
    """A number as written."""


def write(value):
    if isinstance(value, Literal):
        return str(value)
    if isinstance(value, dict):
        return "{" + ",".join(json.dumps(k) + ":" + write(v) for k, v in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ",".join(write(v) for v in value) + "]"
    return json.dumps(value)


def read(path):
    with open(path, encoding="utf-8") as file:
        return json.load(file, parse_float=Literal, parse_int=Literal)


# ---- damages ---------------------------------------------------------------------------------------------
def nodes(value, path=()):
    yield path, value
    if isinstance(value, dict):
        for key, item in value.items():
            yield from nodes(item, path + (key,))
    elif isinstance(value, list):
        for n, item in enumerate(value):
            yield from nodes(item, path + (n,))


def at(root, path):
    for step in path:
        root = root[step]
    return root


REMOVE = object()


def changed(order, path, value):
    """A copy with the node replaced, or removed."""
    out = copy.deepcopy(order)
    if not path:
        return value
    holder = at(out, path[:-1])
    if value is REMOVE:
        del holder[path[-1]]
    else:
        holder[path[-1]] = value
    return out


def added(order, path, **members):
    out = copy.deepcopy(order)
    at(out, path).update({k.replace("__", "_"): v for k, v in members.items()})
    return out


def place(path):
    """The element's path without indexes."""
    return ".".join(str(step) for step in path if not isinstance(step, int)) or "(root)"


def damages(order):
    """(damage, element, order as text)."""
    one = Literal("1")
    amount = {"value": one, "unit": "mL", "system": "http://unitsofmeasure.org", "code": "mL"}
    for path, value in nodes(order):
        name = next((s for s in reversed(path) if not isinstance(s, int)), "")
        say = lambda kind, new, p=path: (kind, place(p), write(new))
        if path:
            yield say("removed", changed(order, path, REMOVE))
            yield say("null", changed(order, path, None))
            yield say("text instead", changed(order, path, "text"))
            yield say("number instead", changed(order, path, Literal("7")))
            yield say("boolean instead", changed(order, path, True))
            yield say("empty array", changed(order, path, []))
            yield say("empty object", changed(order, path, {}))
            yield say("in an array", changed(order, path, [value]))
            if isinstance(path[-1], str):
                key = path[-1]
                other = key[0].upper() + key[1:] if key[0].islower() else key[0].lower() + key[1:]
                renamed = changed(order, path, REMOVE)
                at(renamed, path[:-1])[other] = value
                yield say("other case", renamed)
        if isinstance(value, dict):
            yield say("unknown element", added(order, path, unknownElement="x"))
            yield say("unknown companion", added(order, path, __unknownElement={"id": "x"}))
            yield say("only an id", changed(order, path, {"id": "x"}) if path else {"resourceType": "NutritionOrder", "id": "x"})
            yield say("extension added", added(order, path, extension=[{"url": "urn:x", "valueString": "y"}]))
            yield say("extension without url", added(order, path, extension=[{"valueString": "y"}]))
            yield say("extension without value", added(order, path, extension=[{"url": "urn:x"}]))
            yield say("extension with two values", added(order, path, extension=[{"url": "urn:x", "valueString": "y", "valueCode": "z"}]))
            yield say("extension with value and extension", added(order, path, extension=[
                {"url": "urn:x", "valueString": "y", "extension": [{"url": "urn:z", "valueString": "y"}]}]))
            yield say("extension value of no type", added(order, path, extension=[{"url": "urn:x", "valueNothing": "y"}]))
            yield say("modifier extension", added(order, path, modifierExtension=[{"url": "urn:x", "valueBoolean": True}]))
            if "value" in value and ("unit" in value or "code" in value):
                yield say("comparator", added(order, path, comparator="<"))
                yield say("bogus comparator", added(order, path, comparator="about"))
                yield say("value as text", added(order, path, value="60"))
            for low, high in (("rateQuantity", "rateRatio"), ("rateRatio", "rateQuantity")):
                if low in value:
                    extra = {"numerator": amount, "denominator": {**amount, "unit": "h", "code": "h"}}
                    yield say("both rates", added(order, path, **{high: extra if high == "rateRatio" else amount}))
                    yield say("rate of another type", added(order, path, rateRange={"low": amount}))
            if "authorString" in value:
                yield say("both authors", added(order, path, authorReference={"display": "x"}))
            if path and path[-1] == "repeat":
                for kind, members in [
                    ("two bounds", {"boundsPeriod": {"start": "2030"}, "boundsRange": {"low": amount}}),
                    ("timeOfDay and when", {"timeOfDay": ["10:00:00"], "when": ["HS"]}),
                    ("offset alone", {"offset": one}),
                    ("offset with a meal", {"offset": one, "when": ["CM"]}),
                    ("offset with two events", {"offset": one, "when": ["HS", "AC"]}),
                    ("count as 1.0", {"count": Literal("1.0")}),
                    ("count as text", {"count": "4"}),
                    ("negative duration", {"duration": Literal("-1"), "durationUnit": "h"}),
                    ("negative period", {"period": Literal("-0.5"), "periodUnit": "h"}),
                    ("zero period", {"period": Literal("0"), "periodUnit": "h"}),
                    ("countMax alone", {"countMax": Literal("3")}),
                    ("periodMax alone", {"periodMax": Literal("3")}),
                    ("durationMax alone", {"durationMax": Literal("3")}),
                    ("unit of hr", {"period": one, "periodUnit": "hr"}),
                    ("IMD", {"when": ["IMD"]}),
                ]:
                    yield say(kind, added(order, path, **members))
        elif isinstance(value, Literal):
            for literal in ("-1", "0", "1.5", "2147483648", "1e2"):
                yield say(f"number {literal}", changed(order, path, Literal(literal)))
            yield say("number as text", changed(order, path, str(value)))
        elif isinstance(value, str):
            yield say("empty text", changed(order, path, ""))
            yield say("blank text", changed(order, path, "  "))
            yield say("space before", changed(order, path, " " + value))
            yield say("space inside", changed(order, path, value[:1] + " x"))
            yield say("two spaces inside", changed(order, path, value[:1] + "  x"))
            if name in CODED:
                yield say("bogus code", changed(order, path, "bogus"))
                yield say("code in capitals", changed(order, path, value.upper()))
            if name in DATED:
                for text in BAD_DATES:
                    yield say("bad date", changed(order, path, text))
                for text in GOOD_DATES:
                    yield say("good date", changed(order, path, text))
            if name == "timeOfDay":
                for text in BAD_TIMES:
                    yield say("bad time", changed(order, path, text))
        elif isinstance(value, list) and path:
            yield say("null appended", changed(order, path, value + [None]))
            yield say("single instead of list", changed(order, path, value[0]))
        if path and isinstance(path[-1], str) and not isinstance(value, (dict, list)) and path[-1] != "resourceType":
            key, holder = path[-1], path[:-1]
            for kind, companion in [("companion", {"extension": [{"url": "urn:x", "valueCode": "unknown"}]}),
                                    ("companion empty", {}), ("companion in a list", [{"id": "x"}]),
                                    ("companion with a value", {"value": "x"})]:
                yield say(kind, added(order, holder, **{"__" + key: companion}))
            only = changed(order, path, REMOVE)
            yield say("companion alone", added(only, holder, **{"__" + key: {"extension": [{"url": "urn:x", "valueCode": "unknown"}]}}))
            twice = write(order)
            member = json.dumps(key) + ":" + write(value)
            if len(holder) == 0 and twice.count(member) == 1:
                yield ("given twice", place(path), twice.replace(member, member + "," + member))


def corpus(family):
    files = sorted(glob.glob(os.path.join(ROOT, "tests", "orders", "valid", family, "*.json")))
    extra = os.environ.get("EG_EXTERNAL_CORPUS")
    if extra:
        files += sorted(glob.glob(os.path.join(extra, family.lower(), "NutritionOrder*.json")))
    return files


def cases(version, limit):
    """(id, damage, element, text): the orders as they are, then each damage once per element."""
    seen, out = set(), []
    for path in corpus(VERSIONS[version]):
        order = read(path)
        out.append((f"{os.path.basename(path)}", "none", "(root)", write(order)))
        for kind, element, text in damages(order):
            # Dates and comparators differ in value, so they count by text.
            key = (kind, element, text if kind in ("bad date", "good date", "bad time") else "")
            if key not in seen:
                seen.add(key)
                out.append((os.path.basename(path), kind, element, text))
    total = len(out)
    if limit and total > limit:
        out = [out[n * total // limit] for n in range(limit)]
    return out, total


# ---- judges ----------------------------------------------------------------------------------------------
def program(asked):
    """The program's verdicts, by id."""
    with tempfile.TemporaryDirectory() as folder:
        source, target = os.path.join(folder, "in"), os.path.join(folder, "out")
        with open(source, "w", encoding="utf-8") as file:
            file.writelines(json.dumps(line) + "\n" for line in asked)
        env = {**os.environ, "EG_VERDICTS_IN": source, "EG_VERDICTS_OUT": target}
        run = subprocess.run(["cargo", "test", "-q", "--test", "schemas_verdicts"], cwd=ROOT, env=env, capture_output=True, text=True)
        if run.returncode:
            sys.exit(run.stdout + run.stderr)
        with open(target, encoding="utf-8") as file:
            return {line["id"]: line for line in map(json.loads, file)}


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--limit", type=int, default=1200)
    parser.add_argument("--dump", metavar="FILE", help="write all disagreements there, explained or not")
    args = parser.parse_args()
    with open(os.path.join(HERE, "disagreements.json"), encoding="utf-8") as file:
        explanations = json.load(file)["explained"]
    used = [0] * len(explanations)
    asked, judged, complete = [], [], True
    for version in VERSIONS:
        found, total = cases(version, args.limit)
        if len(found) < 400:
            sys.exit(f"only {len(found)} cases for {version}; expected at least 400")
        complete = complete and len(found) == total
        print(f"{version}: {len(found)} of {total} damaged orders")
        for n, (name, kind, element, text) in enumerate(found):
            asked.append({"id": f"{version}-{n}", "version": version, "text": text})
            judged.append((version, name, kind, element, text))
    ours = program(asked)
    started, dumped = time.time(), []
    passed = failed = explained = good_paths = bad_paths = 0
    schemas = {}
    for version in VERSIONS:
        with open(os.path.join(ROOT, "schemas", f"NutritionOrder-{version}.schema.json"), encoding="utf-8") as file:
            schema = json.load(file)
        jsonschema.Draft202012Validator.check_schema(schema)
        schemas[version] = jsonschema.Draft202012Validator(schema)
    for question, (version, name, kind, element, text) in zip(asked, judged):
        errors, _ = fhir_check.check(text.encode(), version)
        own = ours[question["id"]]
        try:
            instance = fhir_check.load_strict(text.encode())
            portable = schemas[version].is_valid(fhir_check.plain(instance))
        except ValueError:
            instance, portable = None, False
        verdicts = {"schema": portable, "program": own["valid"], "outside": not errors}
        for problem in own["problems"]:
            if problem["path"] and isinstance(instance, dict) and instance.get("resourceType") == "NutritionOrder":
                wrong = fhir_check.selects_one(fhir_check.plain(instance), problem["path"], version)
                good_paths, bad_paths = good_paths + (not wrong), bad_paths + bool(wrong)
                if wrong:
                    print(f"PATH {version} {kind} at {element}: '{problem['path']}' {wrong}")
        if len(set(verdicts.values())) == 1:
            passed += 1
            continue
        words = ", ".join(f"{who} says {'VALID' if valid else 'INVALID'}" for who, valid in verdicts.items())
        why = [n for n, e in enumerate(explanations) if version in e["versions"] and re.fullmatch(e["damage"], kind)
               and re.fullmatch(e["element"], element) and e["verdicts"] == "".join("VI"[not v] for v in verdicts.values())]
        dumped.append({"version": version, "damage": kind, "element": element, "words": words, "explained": bool(why),
                       "outside": errors[:2], "program": own["problems"][:2]})
        if why:
            used[why[0]] += 1
            explained += 1
            passed += 1
            continue
        failed += 1
        reason = (own["problems"] or [{"text": ""}])[0]["text"] or (errors or [("", "", "")])[0]
        print(f"DISAGREE {version} {name}: {kind} at {element}: {words}: {reason}")
    for n, count in enumerate(used):
        if complete and not count:
            failed += 1
            print(f"UNUSED explanation {n}: {explanations[n]}")
    if args.dump:
        with open(args.dump, "w", encoding="utf-8") as file:
            json.dump(dumped, file, indent=1)
    print(f"agreement: {passed} passed ({explained} of them explained disagreements), {failed} failed, {time.time() - started:.0f} s")
    print(f"expressions: {good_paths} passed, {bad_paths} failed")
    sys.exit(1 if failed or bad_paths else 0)


if __name__ == "__main__":
    main()
