#!/usr/bin/env python3
"""Starts the program and holds its CDS Hooks answers against other people's libraries.

    hooks.py PROGRAM

Posts every request under tests/hooks/requests (and the published ones under EG_EXTERNAL_CORPUS/cds-hooks), once without
a rulebook and once with the starter. Each request, answer and the discovery must be valid by schemas/cds-hooks.schema.json
(engine: PyPI jsonschema); no registry has a current schema or model of CDS Hooks. What a correction puts into an order
must not make it less valid FHIR (fhir_check.py). Details are rendered as GitHub Flavored Markdown (PyPI markdown-it-py,
with bare links turned into links): nothing of a request may become a link, an image, a tag or a heading.
"""
import json
import os
import pathlib
import sys

HERE = pathlib.Path(__file__).resolve().parent
ROOT = HERE.parent.parent
sys.path.insert(0, str(HERE))
import fhir_check  # noqa: E402  (beside this file)
from answers import Service  # noqa: E402
from jsonschema import Draft202012Validator  # noqa: E402
from markdown_it import MarkdownIt  # noqa: E402

SCHEMA = json.loads((ROOT / "schemas/cds-hooks.schema.json").read_text())
MARKDOWN = MarkdownIt("gfm-like", {"linkify": True, "html": True})
# What a detail is made of; anything else came out of a text.
EXPECTED = {"paragraph", "inline", "bullet_list", "list_item", "strong", "text", "text_special", "softbreak"}

passed = failed = cards = suggestions = 0


def count(name, problems):
    global passed, failed
    if problems:
        failed += 1
        print(f"INVALID {name}")
        for problem in problems[:8]:
            print(f"    {problem}")
    else:
        passed += 1


def by_schema(kind, document):
    schema = {**SCHEMA, "$ref": f"#/$defs/{kind}"}
    return [f"{'/'.join(map(str, e.absolute_path))}: {e.message[:200]}" for e in Draft202012Validator(schema).iter_errors(document)]


def tokens(text):
    for token in MARKDOWN.parse(text):
        yield token
        yield from token.children or []


def by_markdown(detail):
    kinds = {t.type.removesuffix("_open").removesuffix("_close") for t in tokens(detail)}
    return [f"a detail holds {kind}" for kind in sorted(kinds - EXPECTED)]


def drafts_of(request):
    entries = request["context"]["draftOrders"].get("entry", [])
    return {e["resource"].get("id"): e["resource"] for e in entries}


def errors(resource, version):
    found, _ = fhir_check.check(json.dumps(resource).encode(), version)
    return {(source, where) for source, where, _ in found}


def judge(name, request, answer):
    global cards, suggestions
    problems = by_schema("response", answer)
    version = {"5.0.0": "R5", "4.3.0": "R4B"}.get(request.get("fhirVersion"), "R4")
    drafts = drafts_of(request)
    for card in answer.get("cards", []):
        cards += 1
        problems += by_markdown(card.get("detail", ""))
        for suggestion in card.get("suggestions", []):
            for action in suggestion["actions"]:
                suggestions += 1
                corrected = action["resource"]
                draft = drafts.get(corrected.get("id"))
                if draft is None:
                    problems.append("a suggestion updates no draft")
                    continue
                new = errors(corrected, version) - errors(draft, version)
                problems += [f"a correction brought an error of {source} at {where}" for source, where in sorted(new)]
    count(name, problems)


def requests():
    folders = [ROOT / "tests/hooks/requests"]
    outside = os.environ.get("EG_EXTERNAL_CORPUS")
    if outside:
        folders.append(pathlib.Path(outside) / "cds-hooks")
    for folder in folders:
        for path in sorted(folder.glob("*.json")):
            yield path.name, json.loads(path.read_text())


def everything(service, book):
    status, body = service.ask("GET", "/cds-services")
    discovery = json.loads(body)
    count("discovery", by_schema("services", discovery) or ([] if status == 200 else [f"status {status}"]))
    services = {s["hook"]: s["id"] for s in discovery["services"]}
    for name, request in requests():
        # Some requests are wrong on purpose: references by version or URN.
        if not name.startswith(("select-by-", "select-lost-urn")):
            count(f"request {name}", by_schema("request", request))
        path = f"/cds-services/{services[request['hook']]}"
        status, body = service.ask("POST", path, json.dumps(request), Content_Type="application/json")
        if status != 200:
            count(f"{name} ({book})", [f"status {status}: {body[:200]!r}"])
            continue
        answer = json.loads(body)
        judge(f"{name} ({book})", request, answer)
        given = [{"card": c["uuid"], "outcome": "overridden", "outcomeTimestamp": "2026-11-25T08:00:00Z"} for c in answer["cards"]]
        if given:
            feedback = {"feedback": given}
            status, body = service.ask("POST", f"{path}/feedback", json.dumps(feedback), Content_Type="application/json")
            said = json.loads(body)
            right = status == 200 and said["received"] == len(given) and said["unknownCards"] == 0
            count(f"feedback {name}", by_schema("feedback", feedback) + ([] if right else [str(said)]))
    # A refusal is an OperationOutcome.
    for body in ("{", "{}", json.dumps({"hook": "patient-view"})):
        status, answer = service.ask("POST", f"/cds-services/{services['order-sign']}", body, Content_Type="application/json")
        problems, _ = fhir_check.check(answer, "R4")
        count("refusal", problems or ([] if status == 400 else [f"status {status}"]))


def the_checks_can_fail():
    for text in ("[x](https://evil.example)", "![x](y.png)", "https://evil.example", "www.example.org", "example.org/x", "<b>x</b>", "# x", "`x`", "a@example.org"):
        count(f"Markdown that must not pass: {text}", [] if by_markdown(text) else ["it passed"])
    count("a summary that is too long", [] if by_schema("card", {"summary": "x" * 140, "indicator": "info", "source": {"label": "x"}}) else ["it passed"])
    count("a response without cards", [] if by_schema("response", {}) else ["it passed"])


def main():
    program = sys.argv[1]
    the_checks_can_fail()
    for book, more in (("no rulebook", ["--rulebook", "none"]), ("starter", [])):
        service = Service(program, *more)
        try:
            everything(service, book)
        finally:
            service.process.terminate()
            service.process.wait(timeout=20)
    print(f"counts: {cards} cards, {suggestions} suggestions")
    print(f"{passed} passed, {failed} failed")
    sys.exit(1 if failed or not cards or not suggestions else 0)


if __name__ == "__main__":
    main()
