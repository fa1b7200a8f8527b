#!/usr/bin/env python3
"""The queue over FHIR, held against other people's FHIR libraries.

    queue_fhir.py PROGRAM

Sends the project's orders and recorded hook requests, works on nothing, and reads every page of Task and DetectedIssue in R4, R4B
and R5, and what happened to each Task as Provenance and AuditEvent: each answer, and each resource by itself, must be valid for its version; what a Task refers to must be there.
"""
import argparse
import json
import pathlib
import sys
import tempfile
from urllib.parse import urlsplit

import answers
from answers import ROOT, Service, corpus, judge


def pages(service, version, kind, query=""):
    at = f"/fhir/{version}/{kind}?_count=20{query}"
    while at:
        status, raw = service.ask("GET", at)
        assert status == 200, (at, status, raw)
        judge(at, raw, version, kind="Bundle")
        page = json.loads(raw)
        yield from page.get("entry", [])
        following = [link["url"] for link in page["link"] if link["relation"] == "next"]
        at = f"{urlsplit(following[0]).path}?{urlsplit(following[0]).query}" if following else None


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("program")
    program = parser.parse_args().program
    with tempfile.TemporaryDirectory() as folder:
        service = Service(program, store=f"{folder}/queue.sqlite")
        try:
            for _, raw, version in corpus():
                service.ask("POST", f"/fhir/{version}/$validate", raw)
            for path in sorted((ROOT / "tests/hooks/requests").glob("sign-*.json")):
                service.ask("POST", "/cds-services/tube-feeding-order-sign", path.read_bytes(), Content_Type="application/json")
            seen = happened = 0
            for version in ("R4", "R4B", "R5"):
                issues = {entry["resource"]["id"] for entry in pages(service, version, "DetectedIssue")}
                for entry in pages(service, version, "Task"):
                    task = entry["resource"]
                    seen += 1
                    status, raw = service.ask("GET", f"/fhir/{version}/Task/{task['id']}")
                    assert status == 200, raw
                    judge(f"Task/{task['id']}", raw, version, kind="Task")
                    for kind, parameter in (("Provenance", "target"), ("AuditEvent", "entity")):
                        at = f"/fhir/{version}/{kind}?{parameter}=Task/{task['id']}"
                        status, raw = service.ask("GET", at)
                        assert status == 200, raw
                        judge(at, raw, version, kind="Bundle")
                        # A part of each is still a resource of its type: what has to be there is.
                        status, part = service.ask("GET", f"{at}&_elements=id&_total=none&_sort=-{'recorded' if kind == 'Provenance' else 'date'}")
                        assert status == 200, part
                        judge(at, part, version, kind="Bundle")
                        told, parts = json.loads(raw)["entry"], json.loads(part)["entry"]
                        assert [one["resource"]["id"] for one in told] == [one["resource"]["id"] for one in parts][::-1], at
                        assert "total" not in json.loads(part), at
                        for one in parts:
                            judge(one["fullUrl"], json.dumps(one["resource"]).encode(), version, kind=kind)
                        for one in told:
                            judge(one["fullUrl"], json.dumps(one["resource"]).encode(), version, kind=kind)
                            happened += 1
                    for found in task.get("input", []):
                        reference = found["valueReference"]["reference"]
                        assert reference.removeprefix("DetectedIssue/") in issues, reference
                # Sorted otherwise, in parts, by a type of reference and with other prefixes: all of it, and valid.
                for kind, sort in (("Task", "priority"), ("Task", "-authored-on"), ("DetectedIssue", "identified"), ("DetectedIssue", "-_lastUpdated")):
                    whole = {entry["resource"]["id"] for entry in pages(service, version, kind)}
                    parts = list(pages(service, version, kind, f"&_sort={sort}&_elements=code&_total=accurate&_lastUpdated=ne1999"))
                    assert {entry["resource"]["id"] for entry in parts} == whole and len(parts) == len(whole), (kind, sort)
                    for entry in parts:
                        judge(entry["fullUrl"], json.dumps(entry["resource"]).encode(), version, kind=kind)
                for one in sorted(issues)[:20]:
                    status, raw = service.ask("GET", f"/fhir/{version}/DetectedIssue/{one}")
                    assert status == 200, raw
                    judge(f"DetectedIssue/{one}", raw, version, kind="DetectedIssue")
            assert seen > 30, f"only {seen} orders on the queue"
        finally:
            service.process.terminate()
            service.process.wait(timeout=20)
    print(f"counts: {seen} tasks in three versions, {happened} things that happened to them")
    print(f"{answers.passed} passed, {answers.failed} failed")
    sys.exit(1 if answers.failed else 0)


if __name__ == "__main__":
    main()
