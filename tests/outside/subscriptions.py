#!/usr/bin/env python3
"""Notifications and what FHIR says of subscribers, held against other people's FHIR libraries and Python's own hmac.

    subscriptions.py PROGRAM

Starts `tests/fake/subscriber.py` and the program with a subscriber for every FHIR version and content, sends the project's orders, and
looks at what arrives: each message must be valid for its version, and so must be each entry in it; its signature is reckoned again with
`hmac` by the function of docs/subscriptions.md, which is taken from the page; a message, secret or time that was changed must not pass.
What `Subscription`, `$status`, `$events` and `SubscriptionTopic` give must be valid, and so must be what a refused request is answered.
"""
import argparse
import base64
import json
import os
import pathlib
import re
import subprocess
import sys
import tempfile
import time
import urllib.request

import answers
from answers import ROOT, Service, corpus, judge

VERSIONS = ("R4", "R4B", "R5")
CONTENTS = ("empty", "id-only", "full-resource")
MORE = []


def check(name, good, why=""):
    if good:
        answers.passed += 1
    else:
        answers.failed += 1
        print(f"FAILED {name}: {why}")


def documented():
    """The function of the page, and its example."""
    page = (ROOT / "docs/subscriptions.md").read_text()
    own = {}
    exec(re.search(r"```python\n(.*?)```", page, re.S).group(1), own)
    example = re.search(r"with the secret `(\S+)`, the id `(\S+)`, the timestamp\n`(\d+)` and the body `(\S+)`", page).groups()
    signature = re.search(r"webhook-signature: (v1,\S+)", page).group(1)
    return own["verify"], example, signature


def known_example(verify):
    """The example of the specification of Standard Webhooks 1.0 (from memory): its signature and no other passes."""
    headers = {"webhook-id": "msg_p5jXN8AQM9LWM0D4loKWxJek", "webhook-timestamp": "1614265330",
               "webhook-signature": "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="}
    secret, body = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw", b'{"test": 2432232314}'
    check("the specification's example", verify(secret, headers, body, 1614265330))
    check("the specification's example, changed", not verify(secret, headers, body + b" ", 1614265330))


def seen(at):
    return json.load(urllib.request.urlopen(at + "/seen"))


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("program")
    program = parser.parse_args().program
    verify, (secret, event, stamp, body), signature = documented()
    headers = {"webhook-id": event, "webhook-timestamp": stamp, "webhook-signature": signature}
    check("the page's example", verify(secret, headers, body.encode(), int(stamp)))
    check("the page's example, another body", not verify(secret, headers, b"{}", int(stamp)))
    check("the page's example, too old", not verify(secret, headers, body.encode(), int(stamp) + 301))
    known_example(verify)
    fake = subprocess.Popen([sys.executable, str(ROOT / "tests/fake/subscriber.py")], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    at = fake.stdout.readline().split()[0]
    with tempfile.TemporaryDirectory() as folder:
        folder = pathlib.Path(folder)
        secrets, text = {}, 'base = "https://gate.example/fhir"\n'
        for version in VERSIONS:
            for content in CONTENTS:
                name = f"{version.lower()}-{content}"
                secrets[name] = [base64.b64encode(os.urandom(32)).decode() for _ in range(2 if content == "empty" else 1)]
                (folder / name).write_text("\n".join(secrets[name]))
                text += (f'[[subscriber]]\nid = "{name}"\nendpoint = "{at}/good/{name}"\nprivate-addresses = true\nsecret-file = "{name}"\n'
                         f'fhir = "{version}"\ncontent = "{content}"\nlanes = ["pharmacist", "dietitian"]\n')
        (folder / "away").write_text(secrets["r4-empty"][0])
        for version in VERSIONS:
            text += (f'[[subscriber]]\nid = "away-{version.lower()}"\nendpoint = "{at}/503"\nprivate-addresses = true\nsecret-file = "away"\n'
                     f'fhir = "{version}"\ntries = 1\npriorities = ["stat", "asap", "urgent"]\n')
        (folder / "subscribers.toml").write_text(text)
        said = subprocess.run([program, "subscribers", "check", folder / "subscribers.toml"], capture_output=True, text=True)
        check("the file", said.returncode == 0, said.stdout)
        service = Service(program, "--subscribers", str(folder / "subscribers.toml"), store=f"{folder}/queue.sqlite")
        try:
            sent = 0
            for _, raw, version in corpus():
                service.ask("POST", f"/fhir/{version}/$validate", raw)
                sent += 1
                if sent == 40:
                    break
            settled(program, folder)
            messages(at, verify, secrets)
            published(service)
        finally:
            service.process.terminate()
            service.process.wait(timeout=20)
            fake.kill()
            fake.wait()
    print(f"counts: {len(MORE)} messages to {len(secrets)} subscribers")
    print(f"{answers.passed} passed, {answers.failed} failed")
    sys.exit(1 if answers.failed else 0)


def settled(program, folder):
    """Until nothing waits but what is for subscribers that never answered a handshake."""
    for _ in range(600):
        said = subprocess.run([program, "store", "outbox", "list", "--store", f"{folder}/queue.sqlite", "--state", "waiting"],
                              capture_output=True, text=True)
        rows = [line.split("\t") for line in said.stdout.splitlines() if "\t" in line]
        waits = [row for row in rows if not row[0].startswith("away-") or row[1] == "0"]
        if said.stdout.strip().endswith(" messages") and not waits:
            return
        time.sleep(0.2)
    sys.exit("messages still wait: " + said.stdout)


def messages(at, verify, secrets):
    numbers = {}
    for one in seen(at):
        if not one["path"].startswith("/good/"):
            continue
        name = one["path"].split("/")[2]
        version, content = name.split("-", 1)
        version = version.upper()
        raw, headers = one["body"].encode(), one["headers"]
        MORE.append(name)
        judge(f"message to {name}", raw, version, kind="Bundle")
        bundle = json.loads(raw)
        for entry in bundle["entry"]:
            judge(f"entry for {name}", json.dumps(entry["resource"]).encode(), version)
        for secret in secrets[name]:
            check(f"{name}: signature", verify(secret, headers, raw), headers)
        check(f"{name}: of another secret", not verify(base64.b64encode(os.urandom(32)).decode(), headers, raw))
        check(f"{name}: another body", not verify(secrets[name][0], headers, raw.replace(b"Bundle", b"Bundel")))
        later = {**headers, "webhook-timestamp": str(int(headers["webhook-timestamp"]) + 1)}
        check(f"{name}: another time", not verify(secrets[name][0], later, raw))
        check(f"{name}: id", headers["webhook-id"] == bundle["id"], headers)
        status = bundle["entry"][0]["resource"]
        check(f"{name}: form", (status["resourceType"], bundle["type"]) == {
            "R4": ("Parameters", "history"), "R4B": ("SubscriptionStatus", "history"), "R5": ("SubscriptionStatus", "subscription-notification")}[version])
        kind, number, focus = told(status)
        numbers.setdefault(name, []).append(number)
        check(f"{name}: focus", (focus is not None) == (content != "empty" and kind == "event-notification"), (kind, focus))
        check(f"{name}: Task", (len(bundle["entry"]) == 2) == (content == "full-resource" and kind == "event-notification"))
        if content == "empty":
            check(f"{name}: no topic", "SubscriptionTopic" not in one["body"])
        if content != "full-resource":
            check(f"{name}: no patient", "Patient" not in one["body"])
    check("every subscriber", set(numbers) == set(secrets), numbers.keys())
    for name, own in numbers.items():
        check(f"{name}: numbers without a gap", sorted(own) == list(range(len(own))), own)


def told(status):
    """Type, number and focus of a status."""
    if status["resourceType"] == "SubscriptionStatus":
        event = status.get("notificationEvent", [{}])[0]
        return status["type"], int(event.get("eventNumber", 0)), event.get("focus", {}).get("reference")
    found = {p["name"]: p for p in status["parameter"]}
    parts = {p["name"]: p for p in found.get("notification-event", {}).get("part", [])}
    number = int(parts.get("event-number", {}).get("valueString", 0))
    return found["type"]["valueCode"], number, parts.get("focus", {}).get("valueReference", {}).get("reference")


def published(service):
    for version in VERSIONS:
        status, raw = service.ask("GET", f"/fhir/{version}/Subscription")
        check(f"{version}: search", status == 200, raw)
        judge(f"{version} Subscription", raw, version, kind="Bundle")
        found = [entry["resource"] for entry in json.loads(raw)["entry"]]
        check(f"{version}: all of its", len(found) == len(CONTENTS) + 1, raw)
        for one in found:
            judge(f"Subscription {one['id']}", json.dumps(one).encode(), version, kind="Subscription")
            away = one["id"].startswith("away")
            check(f"{one['id']}: status", one["status"] == ("error" if away else "active"), one)
            at = f"/fhir/{version}/Subscription/{one['id']}"
            for path in (at, f"{at}/$status", f"{at}/$events", f"{at}/$events?eventsSinceNumber=3&eventsUntilNumber=9", f"{at}/$events?eventsSinceNumber=999999"):
                status, raw = service.ask("GET", path)
                check(path, status == 200, raw)
                judge(path, raw, version)
                for entry in json.loads(raw).get("entry", []):
                    judge(f"{path}, entry", json.dumps(entry["resource"]).encode(), version)
        for method, path in (("POST", f"/fhir/{version}/Subscription"), ("PUT", f"{at}"), ("DELETE", f"{at}")):
            status, raw = service.ask(method, path, json.dumps(found[0]).encode())
            check(f"{method} {path}", status == 422, (status, raw))
            judge(f"{method} {path}", raw, version, kind="OperationOutcome")
        status, raw = service.ask("GET", f"/fhir/{version}/metadata")
        judge(f"{version} metadata", raw, version, kind="CapabilityStatement")
        check(f"{version}: metadata names Subscription", b'"Subscription"' in raw)
        for path in ("SubscriptionTopic", "SubscriptionTopic/task"):
            status, raw = service.ask("GET", f"/fhir/{version}/{path}")
            check(f"{version} {path}", status == (404 if version == "R4" else 200), (status, raw))
            judge(f"{version} {path}", raw, version)


if __name__ == "__main__":
    main()
