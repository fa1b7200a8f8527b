#!/usr/bin/env python3
"""Holds a running service against its OpenAPI document, with Schemathesis (PyPI) making up the requests.

    interface.py PROGRAM [--least N]

Sets up its environment under target/. Requests that fit the document and requests that do not are sent to every operation,
at least N in all (10000). No answer may be 5xx, have a status, a media type, a header or a body that the document does not
have, or answer a method that it does not have. The seed is fixed; settings are below. Prints how many.
"""
import argparse
import filecmp
import json
import pathlib
import re
import shutil
import subprocess
import sys
import tempfile

HERE = pathlib.Path(__file__).resolve().parent
ROOT = HERE.parent.parent
sys.path.insert(0, str(HERE))
from answers import Service  # noqa: E402  (beside this file)

SEED = "20261126"
CHECKS = ("not_a_server_error", "status_code_conformance", "content_type_conformance", "response_headers_conformance",
          "response_schema_conformance", "unsupported_method", "allow_header_conformance")
# Operations, and how many requests are made up for each of them beside those that cover its parameters. Each part has a
# process of its own, because one uses one core.
PARTS = {
    "read": (["--include-method", "GET"], 950),
    "hooks": (["--include-path-regex", "^/cds-services/"], 150),
    "operations": (["--include-operation-id-regex", "^(validate|appraise|batch)"], 660),
    "refused": (["--include-operation-id-regex", "^(create|update|delete)Subscription"], 60),
}


def environment():
    folder, wanted = ROOT / "target/schemathesis-venv", HERE / "interface-requirements.txt"
    known = folder / "requirements.txt"
    if not known.exists() or not filecmp.cmp(wanted, known, shallow=False):
        subprocess.run([sys.executable, "-m", "venv", folder], check=True)
        subprocess.run([folder / "bin/pip", "install", "--quiet", "-r", wanted], check=True)
        shutil.copy(wanted, known)
    return folder / "bin/st"


def start(tool, base, part, log, document=None):
    where, examples = PARTS[part]
    source = [str(document), "--url", base] if document else [f"{base}/openapi.json"]
    settings = ["--seed", SEED, "--max-examples", str(examples), "--workers", "1", "--phases", "coverage,fuzzing",
                "--mode", "all", "--checks", ",".join(CHECKS), "--generation-database", "none", "--no-shrink",
                "--suppress-health-check", "all", "--warnings", "off", "--no-color"]
    # Its own folder: it keeps files beside itself.
    return subprocess.Popen([str(tool), "run", *source, *where, *settings], stdout=log, stderr=subprocess.STDOUT, cwd=pathlib.Path(log.name).parent)


def counted(text):
    found = re.search(r"^\s*(\d+) generated(?:, (\d+) passed)?", text, re.MULTILINE)
    return (int(found.group(1)), int(found.group(2) or 0)) if found else (0, 0)


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("program")
    parser.add_argument("--least", type=int, default=10000)
    args = parser.parse_args()
    tool = environment()
    service = Service(args.program)
    cases = passed = failed = 0
    try:
        base = f"http://127.0.0.1:{service.port}"
        with tempfile.TemporaryDirectory() as folder:
            folder = pathlib.Path(folder)
            logs = {part: open(folder / f"{part}.log", "w") for part in PARTS}
            for part, process in {part: start(tool, base, part, log) for part, log in logs.items()}.items():
                status = process.wait()
                logs[part].close()
                text = (folder / f"{part}.log").read_text()
                generated, good = counted(text)
                cases += generated
                passed += good
                if status or generated == 0 or good < generated:
                    failed += max(1, generated - good)
                    print(text)
            # A document without a status that the service has: that must be found.
            document = json.loads((ROOT / "src/http/openapi.json").read_text())
            del document["paths"]["/fhir/{version}/CodeSystem/{id}"]["get"]["responses"]["404"]
            lacking = folder / "lacking.json"
            lacking.write_text(json.dumps(document))
            PARTS["lacking"] = (["--include-path", "/fhir/{version}/CodeSystem/{id}"], 20)
            with open(folder / "lacking.log", "w") as log:
                found = start(tool, base, "lacking", log, lacking).wait() != 0
            if found and "Undocumented status code" in (folder / "lacking.log").read_text():
                passed += 1
            else:
                failed += 1
                print("a status that is not in the document was not found")
    finally:
        service.process.terminate()
        service.process.wait(timeout=20)
    print(f"counts: {cases} requests made up")
    if cases < args.least:
        failed += 1
        print(f"fewer than {args.least}")
    print(f"{passed} passed, {failed} failed")
    sys.exit(1 if failed else 0)


if __name__ == "__main__":
    main()
