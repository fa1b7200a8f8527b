#!/usr/bin/env python3
"""Writes chain.jsonl: entries of the audit trail sealed without any code of the program.

    chain.py > chain.jsonl

Only hashlib and json of Python's standard library. Canonical JSON (RFC 8785) of ASCII texts and small whole numbers is
json.dumps with sorted keys and no spaces; the chain is as the head of src/audit/chain.rs says.
"""
import hashlib
import json

EVENTS = [
    {"action": "started", "format": 1, "on": {}, "outcome": {"result": "done"},
     "time": "2026-11-26T06:00:00.000000Z", "versions": {"program": "0.1.0", "rulebook": "00112233aabbccdd"},
     "who": {"kind": "program"}},
    {"action": "validate", "format": 1,
     "on": {"content": hashlib.sha256(b"abc").hexdigest(), "route": "/fhir/{version}/NutritionOrder/$validate"},
     "outcome": {"micros": 417, "request": "5f0c-1a", "result": "flagged", "status": 200},
     "time": "2026-11-26T06:00:01.250000Z", "versions": {"program": "0.1.0", "rulebook": "00112233aabbccdd"},
     "who": {"kind": "client", "name": "order-entry"}},
    {"action": "claimed", "format": 1, "on": {"item": "item/1", "subject": "Patient/invented-1"},
     "outcome": {"count": 1, "reason": "handover", "result": "done"},
     "time": "2026-11-26T06:00:01.250001Z", "versions": {},
     "who": {"kind": "person", "reference": "person:4711"}},
    {"action": "orders-shown", "format": 2,
     "on": {"asked": {"lane": "pharmacist", "q": "given"}, "content": hashlib.sha256(b"lane=pharmacist&q=x").hexdigest(),
            "items": ["item/1", "item/2"], "route": "/queue"},
     "outcome": {"count": 2, "result": "answered"},
     "time": "2026-11-26T06:00:01.250002Z", "versions": {},
     "who": {"kind": "person", "reference": "person:4711"}},
]


def main():
    previous = bytes(32)
    for sequence, event in enumerate(EVENTS, 1):
        entry = json.dumps({**event, "sequence": sequence}, sort_keys=True, separators=(",", ":"))
        this = hashlib.sha256(previous + entry.encode()).digest()
        print(f'{{"entry":{entry},"hash":"{this.hex()}","previous":"{previous.hex()}"}}')
        previous = this


main()
