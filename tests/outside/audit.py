#!/usr/bin/env python3
"""Starts the program with an audit trail and holds the trail against other people's libraries.

    audit.py PROGRAM

The chain is worked out again with hashlib and json of Python's standard library (which share no code with the program);
what `audit export` writes must be valid AuditEvents of R4, R4B and R5 by the FHIR libraries of fhir_check.py, one for
each entry, and hold everything that the chain is made of.
"""
import hashlib
import json
import pathlib
import subprocess
import sys
import tempfile

HERE = pathlib.Path(__file__).resolve().parent
ROOT = HERE.parent.parent
sys.path.insert(0, str(HERE))
import fhir_check  # noqa: E402  (beside this file)
from answers import Service  # noqa: E402

passed = failed = 0


def count(name, problems):
    global passed, failed
    if problems:
        failed += 1
        print(f"INVALID {name}")
        for problem in problems[:8]:
            print(f"    {problem}")
    else:
        passed += 1


def calls(program, trail):
    service = Service(program, "--audit", trail)
    try:
        order = (ROOT / "tests/cases/c1.r4.json").read_bytes()
        hook = (ROOT / "tests/hooks/requests/sign-maximum-below-schedule.json").read_bytes()
        sign = "/cds-services/tube-feeding-order-sign"
        entry = {"request": {"method": "POST", "url": "NutritionOrder/$appraise"}, "resource": json.loads(order)}
        batch = json.dumps({"resourceType": "Bundle", "type": "batch", "entry": [entry]})
        feedback = {"card": "4e0a3a1e-3283-4575-ab82-028d55fe2719", "outcome": "overridden", "outcomeTimestamp": "2026-11-25T08:12:00Z"}
        for path, body, wanted in [
            ("/fhir/R4/$validate", order, 200), ("/fhir/R4/NutritionOrder/$appraise", order, 200),
            ("/fhir/R4", batch, 200), ("/fhir/R4/$validate", b"{", 400), (sign, hook, 200), (sign, b"{}", 400),
            (f"{sign}/feedback", json.dumps({"feedback": [feedback]}), 200), ("/fhir/R4/$validate", b" " * ((1 << 20) + 1), 413),
        ]:
            status, _ = service.ask("POST", path, body)
            count(f"POST {path}", [] if status == wanted else [f"status {status}"])
    finally:
        service.process.terminate()
        service.process.wait(timeout=20)


def chain(lines):
    problems, previous = [], "00" * 32
    for n, line in enumerate(lines, 1):
        read = json.loads(line)
        canonical = json.dumps(read["entry"], sort_keys=True, separators=(",", ":"), ensure_ascii=False)
        right = hashlib.sha256(bytes.fromhex(previous) + canonical.encode()).hexdigest()
        if read["entry"]["sequence"] != n or read["previous"] != previous or read["hash"] != right:
            problems.append(f"line {n} does not follow")
        if line != f'{{"entry":{canonical},"hash":"{right}","previous":"{previous}"}}':
            problems.append(f"line {n} is not canonical")
        previous = right
    return problems


def details(resource):
    out = {}
    for entity in resource["entity"]:
        for detail in entity.get("detail", []):
            kind = detail["type"]
            out[kind["text"] if isinstance(kind, dict) else kind] = detail["valueString"]
    return out


def export(program, trail, lines):
    for version in ("R4", "R4B", "R5"):
        run = [program, "audit", "export", trail, "--fhir", version]
        resources = [json.loads(line) for line in subprocess.run(run, capture_output=True, check=True, text=True).stdout.splitlines()]
        count(f"{version}: one resource for each entry", [] if len(resources) == len(lines) else [f"{len(resources)} for {len(lines)}"])
        for resource, line in zip(resources, lines):
            errors, _ = fhir_check.check(json.dumps(resource).encode(), version)
            read, told = json.loads(line), details(resource)
            if (told["hash"], told["previous"], told["sequence"]) != (read["hash"], read["previous"], str(read["entry"]["sequence"])):
                errors.append(("chain", "", "another place in the chain"))
            if resource["id"] != read["hash"] or resource["recorded"] != read["entry"]["time"]:
                errors.append(("entry", "", "another id or time"))
            count(f"{version} {read['entry']['action']} {read['entry']['outcome']['result']}", errors)
        bundle = subprocess.run([*run, "--form", "bundle"], capture_output=True, check=True).stdout
        errors, _ = fhir_check.check(bundle, version)
        if len(json.loads(bundle)["entry"]) != len(lines):
            errors.append(("bundle", "", "another number of entries"))
        count(f"{version} Bundle", errors)


def the_checks_can_fail(lines):
    changed = [line.replace('"status":200', '"status":201') for line in lines]
    count("a changed line must not pass", [] if chain(changed) else ["it passed"])
    errors, _ = fhir_check.check(b'{"resourceType":"AuditEvent","recorded":"2026-11-26T06:00:00Z"}', "R4")
    count("an AuditEvent without an agent must not pass", [] if errors else ["it passed"])


def main():
    program = sys.argv[1]
    with tempfile.TemporaryDirectory() as folder:
        trail = str(pathlib.Path(folder) / "trail.jsonl")
        calls(program, trail)
        calls(program, trail)
        lines = pathlib.Path(trail).read_text().splitlines()
        count("the chain, by hashlib", chain(lines))
        run = subprocess.run([program, "audit", "verify", trail], capture_output=True, text=True)
        count("audit verify", [] if run.returncode == 0 else [run.stderr])
        the_checks_can_fail(lines)
        # Entries of kinds that only others write.
        export(program, trail, lines)
        other = str(ROOT / "tests/audit/chain.jsonl")
        export(program, other, pathlib.Path(other).read_text().splitlines())
    print(f"counts: {len(lines)} entries")
    print(f"{passed} passed, {failed} failed")
    sys.exit(1 if failed else 0)


if __name__ == "__main__":
    main()
