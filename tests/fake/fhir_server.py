"""A FHIR server on this machine that answers well or badly, for the tests of the call-back. Its people are invented.

    fhir_server.py DATA.json [CERTIFICATE.pem KEY.pem]

DATA.json is a hook request; what stands under its `prefetch` is what the server has. The first part of an address says
how the server behaves, so that every behaviour is a server of its own. It prints two addresses: the server, and another
one that nobody should be sent to. GET /seen lists what both were asked, with the Authorization header; GET /forget
empties the list. With a certificate both speak TLS.
"""

import gzip
import json
import socket
import ssl
import sys
import threading
import time
from urllib.parse import parse_qs, unquote, urlsplit

DATA = json.load(open(sys.argv[1], encoding="utf-8"))
HAS = DATA["prefetch"]
CODES = {
    "29463-7": "weights",
    "3141-9": "measured-weights",
    "8302-2": "heights",
    "8306-3": "lengths",
    "8339-4": "birth-weight",
    "11884-4": "gestation",
}
TYPES = {
    "Patient": "patient",
    "AllergyIntolerance": "allergies",
    "Condition": "conditions",
    "MedicationRequest": "medicines",
    "NutritionOrder": "orders",
    "DeviceUseStatement": "devices",
    "DeviceUsage": "devices",
    "Procedure": "procedures",
    "Encounter": "encounter",
}
SEEN = []
LOCK = threading.Lock()
PORTS = {}
TLS = None
if len(sys.argv) > 2:
    TLS = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    TLS.load_cert_chain(sys.argv[2], sys.argv[3])


def key_of(path, query):
    kind = path.split("/")[0]
    if kind != "Observation":
        return TYPES.get(kind)
    code = unquote(query.get("code", [""])[0])
    return CODES.get(code.rsplit("|", 1)[-1], "labs" if "category" in query else None)


def bundle(entries, next_page=None, total=None):
    out = {"resourceType": "Bundle", "type": "searchset", "entry": [{"resource": r} for r in entries]}
    if next_page:
        out["link"] = [{"relation": "self", "url": "self"}, {"relation": "next", "url": next_page}]
    if total is not None:
        out["total"] = total
    return out


def condition(n, **more):
    return {
        "resourceType": "Condition",
        "id": f"c{n}",
        "code": {"text": f"invented condition {n}"},
        "subject": {"reference": "Patient/" + DATA["context"]["patientId"]},
        **more,
    }


class Gone(Exception):
    """The connection is closed without a word more."""


class Answer:
    def __init__(self, connection, mode, key, page):
        self.connection, self.mode, self.key, self.page = connection, mode, key, page
        self.base = f"http://127.0.0.1:{PORTS['here']}/{mode}"

    def send(self, status, body, kind="application/fhir+json", more=(), length=None):
        body = body if isinstance(body, bytes) else body.encode()
        head = [f"HTTP/1.1 {status} x", f"Content-Type: {kind}", f"Content-Length: {length or len(body)}", *more]
        self.connection.sendall("\r\n".join(head).encode() + b"\r\n\r\n" + body)

    def well(self, resource=None):
        if resource is None:
            resource = HAS.get(self.key)
        self.send(200, json.dumps(resource if resource is not None else bundle([], total=0)))

    def answer(self):
        # Most behaviours are of one key; the others are answered well.
        special = {
            "pages": "conditions",
            "endless": "conditions",
            "circle": "conditions",
            "next-elsewhere": "conditions",
            "next-above": "conditions",
            "second-fails": "conditions",
            "second-hangs": "conditions",
            "cut-empty": "conditions",
            "patient-missing": "patient",
            "patient-gone": "patient",
            "patient-another": "patient",
            "page-of-weights": "weights",
        }
        everything = ("good", "all-hang", "all-large")
        if self.mode not in everything and self.key != special.get(self.mode, "heights"):
            return self.well()
        return getattr(self, self.mode.replace("-", "_"))()

    def good(self):
        self.well()

    def slow(self):
        time.sleep(0.2)
        self.well()

    def hang(self):
        time.sleep(30)
        raise Gone

    all_hang = hang

    def hang_in_body(self):
        self.connection.sendall(b"HTTP/1.1 200 x\r\nContent-Type: application/json\r\nContent-Length: 100\r\n\r\n{")
        time.sleep(30)
        raise Gone

    def drip(self):
        body = json.dumps(HAS[self.key]).encode()
        head = f"HTTP/1.1 200 x\r\nContent-Type: application/json\r\nContent-Length: {len(body)}\r\n\r\n"
        self.connection.sendall(head.encode())
        for byte in body:
            self.connection.sendall(bytes([byte]))
            time.sleep(0.1)

    def fails(self):
        self.send(503, '{"resourceType":"OperationOutcome"}')

    def denied(self):
        self.send(401, '{"resourceType":"OperationOutcome"}')

    def forbidden(self):
        self.send(403, '{"resourceType":"OperationOutcome"}')

    def teapot(self):
        self.send(418, "{}")

    def no_content(self):
        self.send(204, "")

    def patient_missing(self):
        self.send(404, '{"resourceType":"OperationOutcome"}')

    def patient_gone(self):
        self.send(410, '{"resourceType":"OperationOutcome"}')

    def patient_another(self):
        self.well({**HAS["patient"], "id": "invented-2"})

    def another(self):
        text = json.dumps(HAS[self.key]).replace("Patient/invented-1", "Patient/invented-2")
        self.well(json.loads(text))

    def outcome(self):
        self.well({"resourceType": "OperationOutcome", "issue": [{"severity": "error", "code": "exception"}]})

    def wrong_type(self):
        self.well(HAS["patient"])

    def html(self):
        self.send(200, "<html><body>Sign in</body></html>", "text/html")

    def html_as_json(self):
        self.send(200, "<html><body>Sign in</body></html>")

    def no_type(self):
        self.send(200, json.dumps(HAS[self.key]), "application/octet-stream")

    def bad_json(self):
        self.send(200, '{"resourceType":"Bundle","entry":[}')

    def twice(self):
        self.send(200, '{"resourceType":"Bundle","resourceType":"Bundle"}')

    def zipped(self):
        body = gzip.compress(b" " * 50_000_000 + b"{}")
        self.send(200, body, more=["Content-Encoding: gzip"])

    def truncated(self):
        body = json.dumps(HAS[self.key])
        self.send(200, body, length=len(body) + 100)
        raise Gone

    def closes(self):
        raise Gone

    def redirect(self):
        self.send(302, "", more=[f"Location: http://127.0.0.1:{PORTS['here']}/good/Observation?patient=invented-1"])

    def redirect_elsewhere(self):
        self.send(307, "", more=[f"Location: http://127.0.0.1:{PORTS['elsewhere']}/Observation?patient=invented-1"])

    def declares_much(self):
        self.send(200, "{", length=50 << 20)
        raise Gone

    def sends_much(self):
        head = b"HTTP/1.1 200 x\r\nContent-Type: application/json\r\nTransfer-Encoding: chunked\r\n\r\n"
        self.connection.sendall(head)
        for _ in range(2000):
            self.connection.sendall(b"8000\r\n" + b" " * 0x8000 + b"\r\n")

    def all_large(self):
        body = json.dumps(HAS.get(self.key) or bundle([], total=0))
        self.send(200, body + " " * ((900 << 10) - len(body)))

    # Searches of several pages.

    def pages(self):
        at = int(self.page or 0)
        following = f"{self.base}/Condition?page={at + 1}" if at < 2 else None
        self.well(bundle([condition(2 * at), condition(2 * at + 1)], following))

    def endless(self):
        at = int(self.page or 0)
        self.well(bundle([condition(at)], f"Condition?page={at + 1}"))

    def circle(self):
        at = int(self.page or 0)
        self.well(bundle([condition(at)], f"{self.base}/Condition?page={1 if at == 1 else at + 1}"))

    def next_elsewhere(self):
        self.well(bundle([condition(0)], f"http://127.0.0.1:{PORTS['elsewhere']}/{self.mode}/Condition?page=1"))

    def next_above(self):
        self.well(bundle([condition(0)], f"{self.base}/../good/Condition?patient=invented-1"))

    def second_fails(self):
        if self.page:
            self.send(500, "{}")
        else:
            self.well(bundle([condition(0)], f"{self.base}/Condition?page=1"))

    def second_hangs(self):
        if self.page:
            self.hang()
        else:
            self.well(bundle([condition(0)], f"{self.base}/Condition?page=1"))

    def cut_empty(self):
        if self.page:
            self.send(500, "{}")
        else:
            self.well(bundle([], f"{self.base}/Condition?page=1"))

    def page_of_weights(self):
        at = int(self.page or 0)
        weights = [{**entry["resource"], "id": f"w{at}-{n}"} for n, entry in enumerate(HAS["weights"]["entry"] * 15)]
        self.well(bundle(weights, f"{self.base}/Observation?code=29463-7&page={at + 1}"))


def serve_one(connection, name):
    connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    if TLS is None and connection.recv(1, socket.MSG_PEEK) == b"\x16":
        return  # a TLS handshake
    file = connection.makefile("rb")
    while True:
        line = file.readline().decode("latin-1").split()
        if len(line) < 2:
            return
        headers = {}
        while (header := file.readline().strip()) != b"":
            field, _, value = header.decode("latin-1").partition(":")
            headers[field.lower()] = value.strip()
        target = urlsplit(line[1])
        query = parse_qs(target.query)
        mode, _, path = target.path.lstrip("/").partition("/")
        answer = Answer(connection, mode, key_of(path, query), query.get("page", [None])[0])
        if mode == "seen":
            with LOCK:
                answer.send(200, json.dumps(SEEN))
            continue
        if mode == "forget":
            with LOCK:
                SEEN.clear()
            answer.send(200, "[]")
            continue
        with LOCK:
            SEEN.append({"at": name, "target": line[1], "headers": headers})
        if name == "elsewhere":
            answer.send(200, "{}")
        else:
            answer.answer()


def serve(connection, name):
    try:
        if TLS is not None:
            connection = TLS.wrap_socket(connection, server_side=True)
        serve_one(connection, name)
    except (Gone, OSError):
        pass
    finally:
        connection.close()


def listen(name):
    listener = socket.create_server(("127.0.0.1", 0), backlog=200)
    PORTS[name] = listener.getsockname()[1]

    def accept():
        while True:
            connection, _ = listener.accept()
            threading.Thread(target=serve, args=(connection, name), daemon=True).start()

    threading.Thread(target=accept, daemon=True).start()


for own in ("here", "elsewhere"):
    listen(own)
print(f"http://127.0.0.1:{PORTS['here']} http://127.0.0.1:{PORTS['elsewhere']}", flush=True)
# Ends with the test that started it.
sys.stdin.read()
