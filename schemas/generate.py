#!/usr/bin/env python3
"""Writes NutritionOrder-R4, -R4B and -R5.schema.json beside this file (JSON Schema, draft 2020-12).

    python3 schemas/generate.py            writes the three files
    python3 schemas/generate.py --check    exit status 1 when a file differs from what would be written

Source: HL7 FHIR 4.0.1, 4.3.0 and 5.0.0, resource NutritionOrder and the data types it uses: elements,
cardinality, primitive formats, required bindings, and those invariants of severity error that a schema can
say cheaply. Left to other checks: rng-2 and per-1 (they compare values), ref-1 and dom-3 (they look
elsewhere in the resource), reference target types, extensible and example bindings, narrative content.

Conventions read by src/intake/shape.rs: a rule carries its sentence in "description" and its FHIR issue
type in "$comment".
"""
import json
import os
import sys

HERE = os.path.dirname(os.path.abspath(__file__))
BASE = "https://enteral-gate.example/schemas/"
NUMBERS = {"R4": "4.0.1", "R4B": "4.3.0", "R5": "5.0.0"}

# ---- value sets with a required binding ------------------------------------------------------------------
STATUS = ["draft", "active", "on-hold", "revoked", "completed", "entered-in-error", "unknown"]
INTENT = ["proposal", "plan", "directive", "order", "original-order", "reflex-order", "filler-order",
          "instance-order", "option"]
PRIORITY = ["routine", "urgent", "asap", "stat"]
UNITS_OF_TIME = ["s", "min", "h", "d", "wk", "mo", "a"]
DAYS_OF_WEEK = ["mon", "tue", "wed", "thu", "fri", "sat", "sun"]
EVENT_TIMING = ["MORN", "MORN.early", "MORN.late", "NOON", "AFT", "AFT.early", "AFT.late", "EVE", "EVE.early",
                "EVE.late", "NIGHT", "PHS", "HS", "WAKE", "C", "CM", "CD", "CV", "AC", "ACM", "ACD", "ACV",
                "PC", "PCM", "PCD", "PCV"]
IDENTIFIER_USE = ["usual", "official", "temp", "secondary", "old"]
NARRATIVE_STATUS = ["generated", "extensions", "additional", "empty"]
COMPARATOR = ["<", "<=", ">=", ">"]

# ---- primitive types -------------------------------------------------------------------------------------
YEAR = "([0-9]([0-9]([0-9][1-9]|[1-9]0)|[1-9]00)|[1-9]000)"
DAY = "(0[1-9]|[1-2][0-9]|3[0-1])"
ZONE = "(Z|[+-]((0[0-9]|1[0-3]):[0-5][0-9]|14:00))"


def primitives(version):
    fraction = "(\\.[0-9]{1,9})?" if version == "R5" else "(\\.[0-9]+)?"
    clock = "([01][0-9]|2[0-3]):[0-5][0-9]:([0-5][0-9]|60)" + fraction
    text = {"type": "string", "pattern": "\\S"}
    uri = {"type": "string", "minLength": 1, "pattern": "^\\S*$"}
    integer = lambda low: {"type": "integer", "minimum": low, "maximum": 2147483647}
    out = {
        "base64Binary": {"type": "string", "pattern": "^(\\s*[0-9A-Za-z+/=]{4}\\s*)+$"},
        "boolean": {"type": "boolean"},
        "canonical": uri,
        # One word is the usual case and the cheap one; single spaces may stand inside.
        "code": {"type": "string", "minLength": 1,
                 "description": "a code without spaces at its ends and with single spaces inside", "$comment": "value",
                 "anyOf": [{"pattern": "^\\S*$"}, {"pattern": "^\\S+( \\S+)*$"}]},
        "date": {"type": "string", "pattern": f"^{YEAR}(-(0[1-9]|1[0-2])(-{DAY})?)?$"},
        "dateTime": {"type": "string", "pattern": f"^{YEAR}(-(0[1-9]|1[0-2])(-{DAY}(T{clock}{ZONE})?)?)?$"},
        "decimal": {"type": "number"},
        "id": {"type": "string", "pattern": "^[A-Za-z0-9\\-.]{1,64}$"},
        "instant": {"type": "string", "pattern": f"^{YEAR}-(0[1-9]|1[0-2])-{DAY}T{clock}{ZONE}$"},
        "integer": integer(-2147483648),
        "markdown": text,
        "oid": {"type": "string", "pattern": "^urn:oid:[0-2](\\.(0|[1-9][0-9]*))+$"},
        "positiveInt": integer(1),
        "string": text,
        "time": {"type": "string", "pattern": f"^{clock}$"},
        "unsignedInt": integer(0),
        "uri": uri,
        "url": uri,
        "uuid": {"type": "string",
                 "pattern": "^urn:uuid:[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}$"},
        # Two cheap looks at the ends: narratives can be long.
        "xhtml": {"type": "string", "pattern": "^<div", "allOf": [{"pattern": "</div>$"}]},
    }
    if version == "R5":
        out["integer64"] = {"type": "string", "pattern": "^(0|[-+]?[1-9][0-9]*)$"}
    return out


# ---- small parts -----------------------------------------------------------------------------------------
def ref(name):
    return {"$ref": f"#/$defs/{name}"}


def rule(text, issue, schema):
    return {"description": text, "$comment": issue, **schema}


def never(text, issue):
    return rule(text, issue, {"not": {}})


def present(name):
    """The element is there, with a value or only with extensions in its companion."""
    return {"anyOf": [{"required": [name]}, {"required": ["_" + name]}]}


def needs(name, other, key, primitive=True):
    found = present(other) if primitive else {"required": [other]}
    return name, rule(f"{name} needs {other} ({key})", "invariant", found)


def one_of(names, label):
    """Choice element: at most one of its types; the later one in FHIR's order is the one complained of."""
    text = f"only one type of {label} may be given: " + " or ".join(names)
    return [(name, {"properties": {later: never(text, "structure") for later in names[n + 1:]}})
            for n, name in enumerate(names[:-1])]


class Builder:
    def __init__(self, version):
        self.version = version
        self.prims = primitives(version)
        self.defs = dict(self.prims)
        self.defs["companion"] = {
            "title": "id and extensions of a primitive element",
            "type": "object", "minProperties": 1,
            "properties": {"id": ref("string"), "extension": self.many(ref("Extension"))},
            "additionalProperties": False,
        }

    @staticmethod
    def many(item):
        return {"type": "array", "minItems": 1, "items": item}

    def nullable(self, schema):
        if "enum" in schema:
            return {"enum": schema["enum"] + [None]}
        out = dict(self.prims[schema["$ref"].rsplit("/", 1)[1]])
        out["type"] = [out["type"], "null"]
        return out

    def obj(self, title, elements, rules=(), modifiers=False, resource=False):
        """elements: (name, cardinality, type or value set); rules: (element, schema) applied when it is there."""
        props, needed, all_of, when = {}, [], [], {}
        add = lambda name, schema: when.setdefault(name, []).append(schema)
        if resource:
            props["resourceType"] = {"const": "NutritionOrder"}
            needed.append("resourceType")
        else:
            props["id"] = ref("string")
            add("id", rule("an element needs more than an id (ele-1)", "invariant", {"minProperties": 2}))
        props_tail = {"extension": self.many(ref("Extension"))}
        if modifiers:
            props_tail["modifierExtension"] = self.many(ref("Extension"))
        if not resource:
            props.update(props_tail)
        for name, card, kind in elements:
            low, high = card.split("..")
            is_codes = isinstance(kind, list)
            primitive = is_codes or kind in self.prims
            schema = {"enum": kind} if is_codes else ref(kind) if isinstance(kind, str) else kind
            if primitive and high == "*":
                props[name] = {"type": "array", "minItems": 1, "items": self.nullable(schema)}
                props["_" + name] = {"type": "array", "minItems": 1, "items": {
                    "type": ["object", "null"], "minProperties": 1,
                    "properties": {"id": ref("string"), "extension": self.many(ref("Extension"))},
                    "additionalProperties": False}}
                add(name, rule(f"a null in {name} needs an extension in the same place of _{name}", "structure",
                               {"anyOf": [{"required": ["_" + name]},
                                          {"properties": {name: {"items": {"not": {"type": "null"}}}}}]}))
            elif primitive:
                props[name] = schema
                if name != "id":  # a resource's id is a plain string: it has no companion
                    props["_" + name] = ref("companion")
            else:
                props[name] = self.many(schema) if high == "*" else schema
            if low == "1":
                if primitive:
                    hint = f"; expected one of {', '.join(kind)}" if is_codes else f"; expected a {kind}"
                    all_of.append(rule(f"{name} is missing{hint}", "required", {"anyOf": [
                        {"required": [name]},
                        {"required": ["_" + name], "properties": {"_" + name: {"required": ["extension"]}}}]}))
                else:
                    needed.append(name)
        if resource:
            props.update(props_tail)
        for name, schema in rules:
            if name is None:
                all_of.append(schema)
            else:
                add(name, schema)
        out = {"title": title, "type": "object", "minProperties": 1}
        if needed:
            out["required"] = needed
        out["properties"] = props
        out["additionalProperties"] = False
        if when:
            out["dependentSchemas"] = {k: v[0] if len(v) == 1 else {"allOf": v} for k, v in when.items()}
        if all_of:
            out["allOf"] = all_of
        return out

    def extension(self):
        """url, and either nested extensions or exactly one value[x] (ext-1)."""
        v = self.version
        simple = ["base64Binary", "boolean", "canonical", "code", "date", "dateTime", "decimal", "id", "instant",
                  "integer", "integer64", "markdown", "oid", "positiveInt", "string", "time", "unsignedInt", "uri",
                  "url", "uuid"]
        simple = [s for s in simple if s in self.prims]
        known = {"Age": "Quantity", "Annotation": "Annotation", "CodeableConcept": "CodeableConcept",
                 "Coding": "Coding", "Count": "Quantity", "Distance": "Quantity", "Duration": "Duration",
                 "Identifier": "Identifier", "Meta": "Meta", "Period": "Period", "Quantity": "Quantity",
                 "Range": "Range", "Ratio": "Ratio", "Reference": "Reference", "Timing": "Timing"}
        other = ["Address", "Attachment", "ContactDetail", "ContactPoint", "DataRequirement", "Dosage", "Expression",
                 "HumanName", "Money", "ParameterDefinition", "RelatedArtifact", "SampledData", "Signature",
                 "TriggerDefinition", "UsageContext"]
        if v != "R5":
            other.append("Contributor")
        if v == "R4B":
            known.pop("Meta")
        if v != "R4":
            other.append("RatioRange")
            if v == "R5":
                known["CodeableReference"] = "CodeableReference"
                other += ["Availability", "ExtendedContactDetail"]
            else:
                other.append("CodeableReference")
        cap = lambda s: s[0].upper() + s[1:]
        props = {"id": ref("string"), "url": ref("uri"), "extension": self.many(ref("Extension"))}
        values = []
        for s in simple:
            props["value" + cap(s)] = ref(s)
            props["_value" + cap(s)] = ref("companion")
            values.append(("value" + cap(s), True))
        for name in sorted(list(known) + other):
            props["value" + name] = ref(known[name]) if name in known else {"type": "object", "minProperties": 1}
            values.append(("value" + name, False))
        alone = "an extension has either one value or nested extensions (ext-1)"
        both = {}
        for name, primitive in values:
            mine = ["id", "url", name] + (["_" + name] if primitive else [])
            both[name] = rule(alone, "invariant", {"propertyNames": {"enum": mine}})
            if primitive:
                both["_" + name] = both[name]
        both["extension"] = rule(alone, "invariant", {"propertyNames": {"enum": ["id", "url", "extension"]}})
        return {
            "title": "Extension", "type": "object", "required": ["url"],
            "properties": props, "additionalProperties": False,
            "allOf": [
                rule("an extension has either one value or nested extensions (ext-1)", "invariant", {
                    "if": {"required": ["id"]},
                    "then": rule(alone, "invariant", {"minProperties": 3}),
                    "else": rule(alone, "invariant", {"minProperties": 2})}),
                # With two properties it can only be url and one more; only larger ones are looked at closely.
                {"if": {"minProperties": 3}, "then": {"dependentSchemas": both}},
            ],
        }

    def quantity(self, title, simple=False, rules=()):
        elements = [("value", "0..1", "decimal"), ("comparator", "0..1", COMPARATOR + (["ad"] if self.version == "R5" else [])),
                    ("unit", "0..1", "string"), ("system", "0..1", "uri"), ("code", "0..1", "code")]
        out = self.obj(title, elements, [needs("code", "system", "qty-3"), *rules])
        if simple:
            text = "a comparator is not allowed here (sqty-1): expected an exact amount"
            out["properties"]["comparator"] = never(text, "invariant")
            out["properties"]["_comparator"] = never(text, "invariant")
        return out

    def data_types(self):
        v, d = self.version, self.defs
        d["Extension"] = self.extension()
        d["Meta"] = self.obj("Meta", [("versionId", "0..1", "id"), ("lastUpdated", "0..1", "instant"),
                                      ("source", "0..1", "uri"), ("profile", "0..*", "canonical"),
                                      ("security", "0..*", "Coding"), ("tag", "0..*", "Coding")])
        d["Narrative"] = self.obj("Narrative", [("status", "1..1", NARRATIVE_STATUS), ("div", "1..1", "xhtml")])
        d["Coding"] = self.obj("Coding", [("system", "0..1", "uri"), ("version", "0..1", "string"),
                                          ("code", "0..1", "code"), ("display", "0..1", "string"),
                                          ("userSelected", "0..1", "boolean")])
        d["CodeableConcept"] = self.obj("CodeableConcept", [("coding", "0..*", "Coding"), ("text", "0..1", "string")])
        d["Identifier"] = self.obj("Identifier", [("use", "0..1", IDENTIFIER_USE), ("type", "0..1", "CodeableConcept"),
                                                  ("system", "0..1", "uri"), ("value", "0..1", "string"),
                                                  ("period", "0..1", "Period"), ("assigner", "0..1", "Reference")])
        ref2 = [] if v != "R5" else [(None, rule(
            "a reference needs reference, identifier or display (ref-2)", "invariant",
            {"anyOf": [{"required": [n]} for n in
                       ("reference", "identifier", "display", "extension", "_reference", "_display")]}))]
        d["Reference"] = self.obj("Reference", [("reference", "0..1", "string"), ("type", "0..1", "uri"),
                                                ("identifier", "0..1", "Identifier"), ("display", "0..1", "string")], ref2)
        if v == "R5":
            d["CodeableReference"] = self.obj("CodeableReference", [("concept", "0..1", "CodeableConcept"),
                                                                    ("reference", "0..1", "Reference")])
        d["Period"] = self.obj("Period", [("start", "0..1", "dateTime"), ("end", "0..1", "dateTime")])
        d["Quantity"] = self.quantity("Quantity")
        d["SimpleQuantity"] = self.quantity("SimpleQuantity", simple=True)
        ucum = {"properties": {"system": rule("the unit of a duration is a UCUM code: expected the system "
                                              "http://unitsofmeasure.org (drt-1)", "invariant",
                                              {"const": "http://unitsofmeasure.org"})}}
        if v != "R4B":
            drt = rule("a duration with a code needs a value and the UCUM system (drt-1)", "invariant",
                       {**ucum, "required": ["system"], **present("value")})
            d["Duration"] = self.quantity("Duration", rules=[("code", drt)])
        else:
            drt = rule("a duration with a value needs a code of the UCUM system (drt-1)", "invariant",
                       {**ucum, "required": ["system"], **present("code")})
            d["Duration"] = self.quantity("Duration", rules=[("value", drt)])
        d["Range"] = self.obj("Range", [("low", "0..1", "SimpleQuantity"), ("high", "0..1", "SimpleQuantity")])
        d["Ratio"] = self.obj(
            "Ratio", [("numerator", "0..1", "Quantity"), ("denominator", "0..1", "SimpleQuantity" if v == "R5" else "Quantity")],
            [needs("numerator", "denominator", "rat-1", False), needs("denominator", "numerator", "rat-1", False),
             (None, rule("a ratio needs numerator and denominator (rat-1)", "invariant",
                         {"anyOf": [{"required": [n]} for n in ("numerator", "denominator", "extension")]}))])
        d["Annotation"] = self.obj("Annotation", [("authorReference", "0..1", "Reference"), ("authorString", "0..1", "string"),
                                                  ("time", "0..1", "dateTime"), ("text", "1..1", "markdown")],
                                   one_of(["authorReference", "authorString"], "author[x]"))
        not_negative = lambda name, key: (name, {"properties": {name: rule(
            f"{name} must not be negative ({key})", "invariant", {"minimum": 0})}})
        d["TimingRepeat"] = self.obj(
            "Timing.repeat",
            [("boundsDuration", "0..1", "Duration"), ("boundsRange", "0..1", "Range"), ("boundsPeriod", "0..1", "Period"),
             ("count", "0..1", "positiveInt"), ("countMax", "0..1", "positiveInt"),
             ("duration", "0..1", "decimal"), ("durationMax", "0..1", "decimal"), ("durationUnit", "0..1", UNITS_OF_TIME),
             ("frequency", "0..1", "positiveInt"), ("frequencyMax", "0..1", "positiveInt"),
             ("period", "0..1", "decimal"), ("periodMax", "0..1", "decimal"), ("periodUnit", "0..1", UNITS_OF_TIME),
             ("dayOfWeek", "0..*", DAYS_OF_WEEK), ("timeOfDay", "0..*", "time"),
             ("when", "0..*", EVENT_TIMING + (["IMD"] if v == "R5" else [])), ("offset", "0..1", "unsignedInt")],
            one_of(["boundsDuration", "boundsRange", "boundsPeriod"], "bounds[x]")
            + [needs("duration", "durationUnit", "tim-1"), needs("period", "periodUnit", "tim-2"),
               not_negative("duration", "tim-4"), not_negative("period", "tim-5"),
               needs("periodMax", "period", "tim-6"), needs("durationMax", "duration", "tim-7"),
               needs("countMax", "count", "tim-8"), needs("offset", "when", "tim-9"),
               ("offset", {"properties": {"when": rule(
                   "an offset does not go with the meal codes C, CM, CD and CV (tim-9)", "invariant",
                   {"not": {"contains": {"enum": ["C", "CM", "CD", "CV"]}}})}}),
               ("timeOfDay", {"properties": {"when": never("timeOfDay and when exclude each other (tim-10)", "invariant")}})])
        d["Timing"] = self.obj("Timing", [("event", "0..*", "dateTime"), ("repeat", "0..1", "TimingRepeat"),
                                          ("code", "0..1", "CodeableConcept")], modifiers=True)
        d["Resource"] = {
            "title": "a contained resource (its content is checked elsewhere)", "type": "object",
            "required": ["resourceType"],
            "properties": {
                "resourceType": {"type": "string", "pattern": "^[A-Z][A-Za-z]*$"},
                "id": ref("id"),
                "contained": never("a contained resource must not contain others (dom-2)", "invariant"),
                "meta": {"type": "object", "minProperties": 1, "properties": {
                    "versionId": never("a contained resource has no version (dom-4)", "invariant"),
                    "lastUpdated": never("a contained resource has no time of update (dom-4)", "invariant"),
                    "security": never("a contained resource has no security label (dom-5)", "invariant")}},
            },
        }

    def order(self):
        v, d = self.version, self.defs
        r5 = v == "R5"
        block = lambda title, elements, rules=(): self.obj(title, elements, rules, modifiers=True)
        if r5:
            d["Schedule"] = block("schedule", [("timing", "0..*", "Timing"), ("asNeeded", "0..1", "boolean"),
                                               ("asNeededFor", "0..1", "CodeableConcept")])
        schedule = ("schedule", "0..1", "Schedule") if r5 else ("schedule", "0..*", "Timing")
        product = "CodeableReference" if r5 else "CodeableConcept"
        d["OralDietNutrient"] = block("oralDiet.nutrient", [("modifier", "0..1", "CodeableConcept"), ("amount", "0..1", "SimpleQuantity")])
        d["OralDietTexture"] = block("oralDiet.texture", [("modifier", "0..1", "CodeableConcept"), ("foodType", "0..1", "CodeableConcept")])
        d["OralDiet"] = block("oralDiet", [("type", "0..*", "CodeableConcept"), schedule, ("nutrient", "0..*", "OralDietNutrient"),
                                           ("texture", "0..*", "OralDietTexture"), ("fluidConsistencyType", "0..*", "CodeableConcept"),
                                           ("instruction", "0..1", "string")])
        d["Supplement"] = block("supplement", [("type", "0..1", product), ("productName", "0..1", "string"), schedule,
                                               ("quantity", "0..1", "SimpleQuantity"), ("instruction", "0..1", "string")])
        d["Administration"] = block(
            "enteralFormula.administration",
            [("schedule", "0..1", "Schedule" if r5 else "Timing"), ("quantity", "0..1", "SimpleQuantity"),
             ("rateQuantity", "0..1", "SimpleQuantity"), ("rateRatio", "0..1", "Ratio")],
            one_of(["rateQuantity", "rateRatio"], "rate[x]"))
        formula = [("baseFormulaType", "0..1", product), ("baseFormulaProductName", "0..1", "string")]
        if r5:
            d["Additive"] = block("enteralFormula.additive", [("type", "0..1", product), ("productName", "0..1", "string"),
                                                              ("quantity", "0..1", "SimpleQuantity")])
            formula += [("deliveryDevice", "0..*", "CodeableReference"), ("additive", "0..*", "Additive")]
        else:
            formula += [("additiveType", "0..1", "CodeableConcept"), ("additiveProductName", "0..1", "string")]
        formula += [("caloricDensity", "0..1", "SimpleQuantity"),
                    ("routeOfAdministration" if r5 else "routeofAdministration", "0..1", "CodeableConcept"),
                    ("administration", "0..*", "Administration"), ("maxVolumeToDeliver", "0..1", "SimpleQuantity"),
                    ("administrationInstruction", "0..1", "markdown" if r5 else "string")]
        d["EnteralFormula"] = block("enteralFormula", formula)
        elements = [("id", "0..1", "id"), ("meta", "0..1", "Meta"), ("implicitRules", "0..1", "uri"), ("language", "0..1", "code"),
                    ("text", "0..1", "Narrative"), ("contained", "0..*", "Resource"),
                    ("identifier", "0..*", "Identifier"), ("instantiatesCanonical", "0..*", "canonical"),
                    ("instantiatesUri", "0..*", "uri"), ("instantiates", "0..*", "uri")]
        if r5:
            elements += [("basedOn", "0..*", "Reference"), ("groupIdentifier", "0..1", "Identifier")]
        elements += [("status", "1..1", STATUS), ("intent", "1..1", INTENT)]
        if r5:
            elements += [("priority", "0..1", PRIORITY), ("subject", "1..1", "Reference")]
        else:
            elements += [("patient", "1..1", "Reference")]
        elements += [("encounter", "0..1", "Reference")]
        if r5:
            elements += [("supportingInformation", "0..*", "Reference")]
        elements += [("dateTime", "1..1", "dateTime"), ("orderer", "0..1", "Reference")]
        if r5:
            elements += [("performer", "0..*", "CodeableReference")]
        elements += [("allergyIntolerance", "0..*", "Reference"), ("foodPreferenceModifier", "0..*", "CodeableConcept"),
                     ("excludeFoodModifier", "0..*", "CodeableConcept")]
        if r5:
            elements += [("outsideFoodAllowed", "0..1", "boolean")]
        elements += [("oralDiet", "0..1", "OralDiet"), ("supplement", "0..*", "Supplement"),
                     ("enteralFormula", "0..1", "EnteralFormula"), ("note", "0..*", "Annotation")]
        return self.obj(f"NutritionOrder (FHIR {v})", elements, modifiers=True, resource=True)

    def schema(self):
        self.data_types()
        body = self.order()
        title = body.pop("title")
        return {
            "$schema": "https://json-schema.org/draft/2020-12/schema",
            "$id": f"{BASE}NutritionOrder-{self.version}.schema.json",
            "title": title,
            "description": f"Structure of a NutritionOrder of FHIR {NUMBERS[self.version]}: elements, cardinality, primitive "
                           "formats, required value sets and the invariants that a schema can say. Stricter than HL7's "
                           "own schema. Transcribed from the HL7 FHIR specification by schemas/generate.py; do not edit.",
            **body,
            "$defs": self.defs,
        }


def main():
    stale = []
    for version in NUMBERS:
        path = os.path.join(HERE, f"NutritionOrder-{version}.schema.json")
        text = json.dumps(Builder(version).schema(), indent=1, ensure_ascii=False) + "\n"
        if "--check" in sys.argv[1:]:
            with open(path, encoding="utf-8") as file:
                if file.read() != text:
                    stale.append(path)
        else:
            with open(path, "w", encoding="utf-8") as file:
                file.write(text)
    for path in stale:
        print(f"stale: {path}; run python3 schemas/generate.py")
    sys.exit(1 if stale else 0)


if __name__ == "__main__":
    main()
