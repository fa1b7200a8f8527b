#!/usr/bin/env python3
"""Writes the worked cases as FHIR Bundles, R4 and R5, beside this file. `--check` only compares.

People, orders and products are invented; the products are those of deploy/demo/formulary.csv.
"""
import json, pathlib, sys

HERE = pathlib.Path(__file__).resolve().parent
BASE = "https://enteral-gate.example/fhir"
UCUM = "http://unitsofmeasure.org"
ROUTES = "http://terminology.hl7.org/CodeSystem/v3-RouteOfAdministration"
PRODUCTS = BASE + "/CodeSystem/invented-products"
NOON = "2026-11-25T06:30:00Z"


def q(value, code):
    return {"value": value, "unit": code, "system": UCUM, "code": code}


def concept(system, code):
    return {"coding": [{"system": system, "code": code}]}


def observation(ident, loinc, value, code, when="2026-11-25T05:00:00Z"):
    return {
        "resourceType": "Observation", "id": ident, "status": "final",
        "category": [concept("http://terminology.hl7.org/CodeSystem/observation-category", "vital-signs")],
        "code": concept("http://loinc.org", loinc), "subject": {"reference": "Patient/p"},
        "effectiveDateTime": when, "valueQuantity": q(value, code),
    }


def flush(volume, schedule=None, each=None):
    inner = [{"url": "volume", "valueQuantity": q(volume, "mL")}]
    if schedule:
        inner.append({"url": "schedule", "valueTiming": {"repeat": schedule}})
    if each:
        inner.append({"url": "with-each-feed", "valueCode": each})
    return {"url": BASE + "/StructureDefinition/water-flush", "extension": inner}


def every(hours, start=None):
    out = {"frequency": 1, "period": hours, "periodUnit": "h"}
    return bounded(out, start)


def a_day(n, start=None):
    return bounded({"frequency": n, "period": 1, "periodUnit": "d"}, start)


def bounded(repeat, start):
    return {"boundsPeriod": {"start": start}, **repeat} if start else repeat


def entry(repeat=None, quantity=None, rate=None):
    return {"repeat": repeat, "quantity": quantity, "rate": rate}


def bundle(version, case):
    person = {"resourceType": "Patient", "id": "p", "gender": case["sex"], "birthDate": case["born"],
              "name": [{"family": "Invented", "given": [case["name"]]}]}
    formula = {}
    extensions = list(case.get("flushes", []))
    additive = case.get("additive")
    administrations = []
    for e in case["entries"]:
        timing = {"repeat": e["repeat"]} if e["repeat"] is not None else None
        out = {}
        if timing:
            out["schedule"] = timing if version == "R4" else {"timing": [timing]}
        if e["quantity"] is not None:
            out["quantity"] = q(e["quantity"], "mL")
        if e["rate"] is not None:
            out["rateQuantity"] = q(e["rate"], "mL/h")
        administrations.append(out)
    product = concept(PRODUCTS, case["product"])
    if version == "R4":
        formula["baseFormulaType"] = product
    else:
        formula["baseFormulaType"] = {"concept": product}
    if additive:
        code, amount, unit = additive
        if version == "R4":
            extensions.append({"url": BASE + "/StructureDefinition/additive-dose", "extension": [
                {"url": "item", "valueCodeableConcept": concept(PRODUCTS, code)},
                {"url": "quantity", "valueQuantity": q(amount, unit)}]})
        else:
            formula["additive"] = [{"type": {"concept": concept(PRODUCTS, code)}, "quantity": q(amount, unit)}]
    if case.get("density"):
        formula["caloricDensity"] = q(*case["density"])
    formula["routeofAdministration" if version == "R4" else "routeOfAdministration"] = concept(ROUTES, case["route"])
    formula["administration"] = administrations
    if case.get("cap"):
        formula["maxVolumeToDeliver"] = q(case["cap"], "mL/d")
    if case.get("text"):
        formula["administrationInstruction"] = case["text"]
    if extensions:
        formula = {"extension": extensions, **formula}
    order = {"resourceType": "NutritionOrder", "id": case["id"], "status": "active", "intent": "order",
             "patient" if version == "R4" else "subject": {"reference": "Patient/p"},
             "dateTime": NOON, "orderer": {"reference": "Practitioner/invented"}, "enteralFormula": formula}
    resources = [person]
    if "kg" in case:
        resources.append(observation("w", "29463-7", case["kg"], "kg"))
    if "cm" in case:
        resources.append(observation("h", "8302-2", case["cm"], "cm"))
    if "weeks" in case:
        resources.append(observation("g", "11884-4", case["weeks"], "wk"))
        resources.append(observation("b", "8339-4", case["birth_kg"], "kg"))
    return {"resourceType": "Bundle", "type": "collection",
            "entry": [{"fullUrl": f"{BASE}/{r['resourceType']}/{r['id']}", "resource": r} for r in resources + [order]]}


D = "2026-11-25T07:00:00Z"
CASES = {
    "c1": dict(name="One", sex="male", born="1968-11-25", kg=80, cm=178, route="NGT", product="HP12",
               entries=[entry(bounded({}, D), rate=65)],
               flushes=[flush(30, every(4)), flush(15, a_day(4)), flush(15, a_day(4))]),
    "c2": dict(name="Two", sex="female", born="1981-11-25", kg=55, cm=163, route="GT", product="A15",
               entries=[entry({"duration": 10, "durationUnit": "h", "timeOfDay": ["21:00:00"]}, rate=80),
                        entry({"duration": 20, "durationUnit": "min", "timeOfDay": ["12:00:00", "17:00:00"]}, quantity=237)],
               flushes=[flush(60, each="before-and-after")]),
    "c3": dict(name="Three", sex="male", born="1960-11-25", kg=62, route="JJTINSTL", product="PEP10",
               entries=[entry(every(4, D), quantity=250)], flushes=[flush(30, every(4))]),
    "c5": dict(name="Five", sex="female", born="2026-09-25", kg=4.2, route="GT", product="INF", density=(24, "kcal/[foz_us]"),
               entries=[entry({"duration": 30, "durationUnit": "min", **every(3, D)}, quantity=90)], flushes=[flush(5, each="after")]),
    "c6": dict(name="Six", sex="male", born="2024-05-25", kg=11.5, cm=88, route="GT", product="PED10",
               entries=[entry({"timeOfDay": ["08:00:00", "11:00:00", "14:00:00", "17:00:00", "20:00:00"]}, quantity=200, rate=200)],
               flushes=[flush(10, each="before-and-after")]),
    "c9": dict(name="Nine", sex="female", born="1997-11-25", kg=36, cm=165, route="NGT", product="A15",
               entries=[entry(bounded({}, D), rate=40)], flushes=[flush(30, every(4))]),
    "c11": dict(name="Eleven", sex="male", born="1970-11-25", kg=70, cm=175, route="NGT", product="A10",
                entries=[entry(a_day(1, D), quantity=1680, rate=70)], flushes=[flush(30, every(4))]),
    "c12": dict(name="Twelve", sex="male", born="2020-11-25", kg=20, cm=115, route="GT", product="BLEND",
                entries=[entry(a_day(4, D), quantity=300, rate=100)], flushes=[flush(10, each="before-and-after")]),
    "c14": dict(name="Fourteen", sex="male", born="1966-11-25", route="NGT", product="A10", density=(1, "cal/mL"), cap=880,
                text="Hold the feed from 7 pm to 7 am. Add medium-chain oil to reach 1.5 kcal/mL.",
                entries=[entry(bounded({}, "2026-11-25T07:00:00Z"), rate=60), entry(bounded({}, "2026-11-25T11:00:00Z"), rate=80),
                         entry(bounded({}, "2026-11-25T15:00:00Z"), rate=100)]),
    "c15": dict(name="Fifteen", sex="female", born="2025-06-25", kg=25, route="GT", product="PED10",
                entries=[entry(a_day(5, D), quantity=500, rate=250)], flushes=[flush(10, each="after")]),
    "c15-true": dict(name="Fifteen", sex="female", born="2025-06-25", kg=11.34, cm=80, route="GT", product="PED10",
                     entries=[entry(a_day(5, D), quantity=500, rate=250)], flushes=[flush(10, each="after")]),
    "c17": dict(name="Seventeen", sex="male", born="1970-11-25", kg=70, route="NGT", product="A12",
                entries=[entry(bounded({}, D), rate=60)], flushes=[flush(30, every(4))]),
}
# C4, day by day: per feed as given (rounded to the syringe), every 3 h; fortified from day 4.
for day, ml in enumerate([2.8, 6.9, 11.0, 15.1, 19.3, 22.0], start=1):
    CASES[f"c4-day{day}"] = dict(name="Four", sex="female", born="2026-11-15", kg=1.10, birth_kg=1.10, weeks=29, route="OGT", product="HM",
                                 entries=[entry(every(3, D), quantity=ml)], flushes=[flush(0.5, each="after")],
                                 **({"additive": ("HMF", 4, "/(100.mL)")} if day >= 4 else {}))


# Orders that state what HL7's three examples of tube feeds state, in this project's own words: the same figures,
# units and omissions, other names. `tests/official_examples.rs` gives the same answers for them as for the originals.
FOUR_PM, DAY = "2026-11-25T16:00:00Z", "2026-11-25"
REPLICAS = {
    "bolus": dict(product="Invented Feed Of The Bolus Example", density=(1.5, "cal/mL"), route="GT", cap=(1440, "mL/d"),
                  additive=("lipid", "Invented Lipid Additive"), text="240 mL every 4 hours",
                  entries=[(every(4, FOUR_PM), (240, "mL"), None)]),
    "continuous": dict(product="Invented Feed Of The Continuous Example", density=(1, "cal/mL"), route="NGT", cap=(880, "mL/d"),
                       text="Hold the feed from 7 pm to 7 am. Add medium-chain oil to go from 1.0 to 1.5 cal/mL",
                       entries=[(bounded({}, f"2026-11-25T{hour}:00:00Z"), None, (rate, "mL/h"))
                                for hour, rate in (("07", 60), ("11", 80), ("15", 100))]),
    "infant": dict(product="Invented Feed Of The Infant Example", density=(20, "cal/[foz_us]"), route="PO", cap=(32, "[foz_us]"),
                   additive=("carbohydrate", "Invented Carbohydrate Additive"),
                   text="Add the carbohydrate additive to go from 24 cal/oz to 27 cal/oz.",
                   entries=[(every(3, DAY), (4, "[foz_us]"), None)]),
}


def replica(version, name, case):
    r4 = version == "R4"
    formula = {"baseFormulaProductName": case["product"]}
    if "additive" in case:
        kind = concept("http://terminology.hl7.org/CodeSystem/entformula-additive", case["additive"][0])
        if r4:
            formula.update(additiveType=kind, additiveProductName=case["additive"][1])
        else:
            formula["additive"] = [{"type": {"concept": kind}, "productName": case["additive"][1]}]
    formula["caloricDensity"] = q(*case["density"])
    formula["routeofAdministration" if r4 else "routeOfAdministration"] = concept(ROUTES, case["route"])
    formula["administration"] = []
    for repeat, quantity, rate in case["entries"]:
        timing = {"repeat": repeat}
        out = {"schedule": timing if r4 else {"timing": [timing]}}
        if quantity:
            out["quantity"] = q(*quantity)
        if rate:
            out["rateQuantity"] = q(*rate)
        formula["administration"].append(out)
    formula["maxVolumeToDeliver"] = q(*case["cap"])
    formula["administrationInstruction"] = case["text"]
    return {"resourceType": "NutritionOrder", "id": f"published-{name}", "status": "active", "intent": "order",
            "patient" if r4 else "subject": {"reference": "Patient/p"}, "dateTime": DAY,
            "orderer": {"reference": "Practitioner/invented"}, "enteralFormula": formula}


def main():
    files = {}
    for version in ("R4", "R5"):
        for name, case in CASES.items():
            files[HERE / f"{name}.{version.lower()}.json"] = bundle(version, {"id": name, **case})
        for name, case in REPLICAS.items():
            files[HERE / "published" / f"{name}.{version.lower()}.json"] = replica(version, name, case)
    stale = []
    for path, resource in files.items():
        text = json.dumps(resource, indent=1) + "\n"
        if not path.exists() or path.read_text() != text:
            stale.append(path.name)
            if "--check" not in sys.argv:
                path.parent.mkdir(exist_ok=True)
                path.write_text(text)
    if "--check" in sys.argv and stale:
        sys.exit("stale: " + ", ".join(stale))


main()
