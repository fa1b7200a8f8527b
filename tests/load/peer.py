"""A service that parses and validates the same bodies with a general FHIR model library (fhir.resources).
`python peer.py PORT` (uvicorn, one worker)."""
import sys

import uvicorn
from fhir.resources.R4B.bundle import Bundle

ANSWER = b'{"resourceType":"OperationOutcome","issue":[{"severity":"information","code":"informational"}]}'


async def app(scope, receive, send):
    if scope["type"] != "http":
        return
    body = b""
    while True:
        message = await receive()
        body += message.get("body", b"")
        if not message.get("more_body"):
            break
    try:
        Bundle.model_validate_json(body)
        status = 200
    except ValueError:
        status = 400
    await send({"type": "http.response.start", "status": status, "headers": [(b"content-type", b"application/fhir+json")]})
    await send({"type": "http.response.body", "body": ANSWER})


if __name__ == "__main__":
    uvicorn.run(app, host="127.0.0.1", port=int(sys.argv[1]), log_level="warning", access_log=False, loop="uvloop", http="httptools")
