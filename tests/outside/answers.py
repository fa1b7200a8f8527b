#!/usr/bin/env python3
"""Starts the program and holds every kind of its answers against other people's FHIR libraries.

    answers.py PROGRAM [--damaged N]

Posts every order of the project (and of EG_EXTERNAL_CORPUS) to $validate and $appraise, N damaged orders, a
batch and requests that must be refused; fetches every definition and the CapabilityStatements. Each answer
must be valid for its FHIR version, and every issue.expression must select exactly one node of the input.
"""
import argparse
import copy
import http.client
import json
import os
import pathlib
import random
import re
import subprocess
import sys

HERE = pathlib.Path(__file__).resolve().parent
ROOT = HERE.parent.parent
sys.path.insert(0, str(HERE))
import fhir_check  # noqa: E402  (beside this file)

passed = failed = expressions = 0
not_evaluated = {}  # invariants that the engine could not evaluate, with how often


def judge(name, raw, version, against=None, kind=None):
    """Counts one answer; prints what is wrong with it."""
    global passed, failed, expressions
    errors, skipped = fhir_check.check(raw, version)
    for key, *_ in skipped:
        not_evaluated[key] = not_evaluated.get(key, 0) + 1
    outcomes = []
    if not errors:
        answer = fhir_check.plain(fhir_check.load_strict(raw))
        if kind and answer.get("resourceType") != kind:
            errors = [("kind", "", f"expected {kind}, found {answer.get('resourceType')}")]
        if answer["resourceType"] == "OperationOutcome":
            outcomes.append(answer)
        elif answer["resourceType"] == "Parameters":
            outcomes += [p["resource"] for p in answer["parameter"] if p["name"] == "outcome"]
        if against is not None:
            for outcome in outcomes:
                expressions += sum(len(i.get("expression", [])) for i in outcome["issue"])
                errors = errors + fhir_check.check_expressions(outcome, against, version)
    if errors:
        failed += 1
        print(f"INVALID {version} {name}")
        for source, where, text in errors[:8]:
            print(f"    {source:7} {where}: {text}")
    else:
        passed += 1


class Service:
    def __init__(self, program, *more):
        self.process = subprocess.Popen(
            [program, "serve", "--store", "none", "--listen", "127.0.0.1:0", "--formulary", str(ROOT / "deploy/demo/formulary.csv"), *more],
            stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
        for line in self.process.stdout:
            found = re.search(r"127\.0\.0\.1:(\d+)", line)
            if found:
                self.port = int(found.group(1))
                return
        sys.exit("the service did not say where it listens")

    def ask(self, method, path, body=None, **headers):
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=20)
        headers = {k.replace("_", "-"): v for k, v in headers.items()}
        if body is not None:
            headers.setdefault("Content-Type", "application/fhir+json")
        connection.request(method, path, body=body, headers=headers)
        answer = connection.getresponse()
        return answer.status, answer.read()


def corpus():
    folders = [ROOT / "deploy/demo/orders", ROOT / "tests/cases", ROOT / "tests/cases/published", ROOT / "tests/orders/valid/R4", ROOT / "tests/orders/valid/R5"]
    outside = os.environ.get("EG_EXTERNAL_CORPUS")
    if outside:
        folders += [pathlib.Path(outside) / f for f in ("r4", "r5")]
    for folder in folders:
        for path in sorted(folder.glob("*.json")):
            raw = path.read_bytes()
            r5 = b"routeOfAdministration" in raw or "r5" in str(path).lower().replace("-", "/").split("/")
            yield path, raw, "R5" if r5 else "R4"


def damaged(resource, rng):
    """A copy with one element deleted, retyped or changed in size."""
    out = copy.deepcopy(resource)
    places = []

    def walk(value):
        if isinstance(value, dict):
            for key, inner in value.items():
                if key != "resourceType":
                    places.append((value, key))
                walk(inner)
        elif isinstance(value, list):
            for i, inner in enumerate(value):
                places.append((value, i))
                walk(inner)

    walk(out)
    holder, key = rng.choice(places)
    change = rng.randrange(5)
    value = holder[key]
    if change == 0:
        del holder[key]
    elif change == 1 and isinstance(value, (int, float)) and not isinstance(value, bool):
        holder[key] = -value
    elif change == 2 and isinstance(value, (int, float)) and not isinstance(value, bool):
        holder[key] = value * 1000
    elif change == 3 and isinstance(value, str):
        holder[key] = "zzz"
    elif isinstance(holder, dict) and isinstance(value, dict):
        holder[key] = {**value, "strange": 1}
    else:
        holder[key] = [value] if not isinstance(value, list) else (value[0] if value else {})
    return out


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("program")
    parser.add_argument("--damaged", type=int, default=400)
    args = parser.parse_args()
    service = Service(args.program)
    try:
        everything(service, args.damaged)
    finally:
        service.process.terminate()
        service.process.wait(timeout=20)
    print(f"counts: {passed + failed} answers, {expressions} expressions, invariants not evaluated: {not_evaluated or 'none'}")
    print(f"{passed} passed, {failed} failed")
    sys.exit(1 if failed else 0)


def everything(service, how_many):
    orders = []
    for path, raw, version in corpus():
        resource = fhir_check.plain(fhir_check.load_strict(raw))
        orders.append((path, resource, version))
        versions = [version] if version == "R5" else ["R4", "R4B"]
        for v in versions:
            what = "NutritionOrder/" if resource["resourceType"] == "NutritionOrder" else ""
            _, answer = service.ask("POST", f"/fhir/{v}/{what}$validate", raw)
            judge(f"$validate {path.name}", answer, v, resource, "OperationOutcome")
            _, answer = service.ask("POST", f"/fhir/{v}/NutritionOrder/$appraise", raw)
            judge(f"$appraise {path.name}", answer, v, resource, "Parameters")
    rng = random.Random(int(os.environ.get("EG_SEED", "20261125")))
    for n in range(how_many):
        path, resource, version = rng.choice(orders)
        bad = damaged(resource, rng)
        v = rng.choice(["R4", "R4B"]) if version == "R4" else version
        operation = rng.choice(["appraise", "validate"])
        _, answer = service.ask("POST", f"/fhir/{v}/NutritionOrder/${operation}", json.dumps(bad))
        judge(f"damaged {n} of {path.name}", answer, v, bad if isinstance(bad, dict) else None)
    definitions(service)
    refusals(service)
    for version in ("R4", "R4B", "R5"):
        fitting = [r for _, r, v in orders if v == version or (version == "R4B" and v == "R4")][:6]
        entries = [{"request": {"method": "POST", "url": "NutritionOrder/$appraise"}, "resource": r} for r in fitting]
        entries.insert(2, {"request": {"method": "POST", "url": "NutritionOrder/$nothing"}, "resource": fitting[0]})
        entries.insert(3, {"request": {"method": "POST", "url": "NutritionOrder/$validate"}, "resource": {"resourceType": "NutritionOrder"}})
        batch = {"resourceType": "Bundle", "type": "batch", "entry": entries}
        status, answer = service.ask("POST", f"/fhir/{version}", json.dumps(batch))
        judge("batch", answer, version, kind="Bundle")
        got = json.loads(answer)
        if status != 200 or len(got["entry"]) != len(entries):
            judge(f"batch: status {status}, {len(got.get('entry', []))} entries for {len(entries)}", b"{}", version)


def definitions(service):
    for version in ("R4", "R4B", "R5"):
        _, answer = service.ask("GET", f"/fhir/{version}/metadata")
        judge("metadata", answer, version, kind="CapabilityStatement")
        for path in sorted((ROOT / "schemas/fhir").glob("*.json")):
            kind, ident = path.stem.split("-", 1)
            status, answer = service.ask("GET", f"/fhir/{version}/{kind}/{ident}")
            if status == 404:
                # A definition for an element that the version does not have is not served there.
                judge(f"{path.name} not served", answer, version, kind="OperationOutcome")
                continue
            judge(f"{path.name} as served", answer, version, kind=kind)


def refusals(service):
    order = b'{"resourceType":"NutritionOrder"}'
    asks = [
        ("GET", "/nothing", None, {}), ("GET", "/fhir/R4/Patient/1", None, {}), ("DELETE", "/fhir/R4/metadata", None, {}),
        ("POST", "/fhir/R4/NutritionOrder/$appraise", b"{", {}), ("POST", "/fhir/R4/NutritionOrder/$appraise", b'{"a":1,"a":2}', {}),
        ("POST", "/fhir/R4/NutritionOrder/$appraise", b"\xff", {}), ("POST", "/fhir/R4/NutritionOrder/$appraise", b"", {}),
        ("POST", "/fhir/R4/NutritionOrder/$appraise", b'{"resourceType":"Patient"}', {}),
        ("POST", "/fhir/R4/NutritionOrder/$appraise", b"<x/>", {"Content_Type": "application/fhir+xml"}),
        ("POST", "/fhir/R4/NutritionOrder/$appraise", order, {"Accept": "application/fhir+xml"}),
        ("POST", "/fhir/R4/NutritionOrder/$appraise?zone=Nowhere/Else", order, {}),
        ("POST", "/fhir/R4/NutritionOrder/$appraise?strange=1", order, {}),
        ("POST", "/fhir/R4/NutritionOrder/$appraise", b" " * ((1 << 20) + 1), {}),
        ("POST", "/fhir/R4", b'{"resourceType":"Bundle","type":"transaction"}', {}),
        ("POST", "/fhir/R5/NutritionOrder/$appraise", order, {"Content_Type": "application/fhir+json; fhirVersion=4.0"}),
        ("POST", "/fhir/R4/NutritionOrder/$validate?mode=destroy", order, {}), ("POST", "/fhir/R5/NutritionOrder/x/$validate?mode=delete", order, {}),
        ("POST", "/fhir/R4/NutritionOrder/$validate", order, {"If_Match": 'W/"1"'}), ("POST", "/fhir/R5", order, {"If_None_Exist": "a=b"}),
    ]
    for version, ident in (("R4", "x"), ("R4B", "y"), ("R5", None)):
        sent = {"resourceType": "NutritionOrder", **({"id": ident} if ident else {})}
        _, answer = service.ask("POST", f"/fhir/{version}/NutritionOrder/x/$validate?mode=update&other=1", json.dumps(sent), Prefer="handling=lenient")
        judge(f"as an update, {version}", answer, version, sent, "OperationOutcome")
    for method, path, body, headers in asks:
        status, answer = service.ask(method, path, body, **headers)
        judge(f"{method} {path} -> {status}", answer, "R5" if "R5" in path else "R4", kind="OperationOutcome")
        if status < 400:
            judge(f"{method} {path}: should be refused, status {status}", b"{}", "R4")


if __name__ == "__main__":
    main()
