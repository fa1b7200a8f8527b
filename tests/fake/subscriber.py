"""A subscriber on this machine that answers well or badly, for the tests of notifications.

    subscriber.py [PORT [CERTIFICATE.pem KEY.pem]]

The first part of an address says how it answers; `now` answers as GET /set?mode=MODE said last. It prints two addresses:
itself, and another one that nobody should be sent to. GET /seen lists what both were sent, in the order of arrival: which
door, address, headers, body, the answer's status (null without one), whether the sender went away without it, and how many
others were being answered. GET /forget empties the list. It ends when its standard input does. Port 0 is any; with a certificate both doors speak TLS.
"""

import http.server
import json
import socket
import ssl
import sys
import threading
import time
from urllib.parse import parse_qs, urlsplit

SEEN = []
LOCK = threading.Lock()
STATE = {"mode": "good", "item": ""}
TRIES = {}
RUNNING = {"n": 0}
PORTS = {}


class Subscriber(http.server.BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"
    name = "here"

    def log_message(self, *_):
        pass

    def handle(self):
        # A TLS handshake with a door that speaks none.
        if len(sys.argv) < 4 and self.connection.recv(1, socket.MSG_PEEK) == b"\x16":
            return
        super().handle()

    def answer(self, status, body=b"{}", **headers):
        self.send_response(status)
        for name, value in headers.items():
            self.send_header(name, value)
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def do_GET(self):
        target = urlsplit(self.path)
        with LOCK:
            if target.path == "/seen":
                return self.answer(200, json.dumps(SEEN).encode())
            if target.path == "/forget":
                SEEN.clear()
                return self.answer(200)
            if target.path == "/set":
                STATE.update({name: values[0] for name, values in parse_qs(target.query).items()})
                return self.answer(200)
        self.saw(None)["status"] = 404
        self.answer(404)

    def saw(self, body):
        entry = {
            "door": self.name,
            "method": self.command,
            "path": self.path,
            "headers": {name.lower(): value for name, value in self.headers.items()},
            "body": body,
            "status": None,
            "left": False,
            "others": RUNNING["n"],
        }
        SEEN.append(entry)
        return entry

    def do_POST(self):
        body = self.rfile.read(int(self.headers.get("Content-Length", 0))).decode()
        with LOCK:
            entry = self.saw(body)
            RUNNING["n"] += 1
            mode = urlsplit(self.path).path.lstrip("/").split("/")[0]
            if mode == "now":
                mode = STATE["mode"]
            event = self.headers.get("webhook-id")
            TRIES[event] = TRIES.get(event, 0) + 1
            tries = TRIES[event]
        try:
            self.behave("elsewhere" if self.name == "elsewhere" else mode, entry, body, tries)
        finally:
            with LOCK:
                RUNNING["n"] -= 1

    def done(self, entry, status, **headers):
        with LOCK:
            entry["status"] = status
        self.answer(status, **headers)

    def behave(self, mode, entry, body, tries):
        if mode == "slow":
            time.sleep(0.2)
        if mode in ("good", "slow", "elsewhere"):
            return self.done(entry, 200)
        if mode == "empty":
            return self.done(entry, 204)
        if mode == "second":  # the first try of every message fails
            return self.done(entry, 503 if tries == 1 else 200)
        if mode == "one":  # whatever is about one order fails
            return self.done(entry, 503 if STATE["item"] and STATE["item"] in body else 200)
        if mode == "redirect":
            return self.done(entry, 307, Location=f"http://127.0.0.1:{PORTS['elsewhere']}/good")
        if mode == "hang":
            self.connection.settimeout(120)
            try:
                gone = self.connection.recv(1) == b""
            except TimeoutError:
                return None
            except OSError:
                gone = True
            with LOCK:
                entry["left"] = gone
            self.close_connection = True
            return None
        if mode == "dies":  # it took the message, and says nothing
            self.close_connection = True
            return self.connection.close()
        if mode == "endless":
            with LOCK:
                entry["status"] = 200
            self.send_response(200)
            self.send_header("Transfer-Encoding", "chunked")
            self.end_headers()
            try:
                while True:
                    self.wfile.write(b"1000\r\n" + b"x" * 4096 + b"\r\n")
            except OSError:
                self.close_connection = True
            return None
        if mode.isdigit():
            return self.done(entry, int(mode))
        return self.done(entry, 500)


class Elsewhere(Subscriber):
    name = "elsewhere"


class Server(http.server.ThreadingHTTPServer):
    daemon_threads = True
    request_queue_size = 200

    def handle_error(self, *_):
        pass  # a connection that was given up


for number, handler in ((int(sys.argv[1]) if len(sys.argv) > 1 else 0, Subscriber), (0, Elsewhere)):
    server = Server(("127.0.0.1", number), handler)
    PORTS[handler.name] = server.server_address[1]
    if len(sys.argv) > 3:
        tls = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        tls.load_cert_chain(sys.argv[2], sys.argv[3])
        server.socket = tls.wrap_socket(server.socket, server_side=True)
    threading.Thread(target=server.serve_forever, daemon=True).start()
print(f"http://127.0.0.1:{PORTS['here']} http://127.0.0.1:{PORTS['elsewhere']}", flush=True)
# Ends with the test that started it.
sys.stdin.read()
