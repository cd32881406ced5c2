"""Holds a Bundle of ours against the FHIR R4 (4.0.1) models of `fhir.resources`.

    pip install fhir.resources==6.2.2 pydantic==1.10.27
    python3 tests/reference/python/fhir_resources.py BUNDLE.json

`fhir.resources` up to 6.2 has the true R4 (6.5 has R4B, 7 and 8 have R5 with R4B beside it); it needs pydantic 1. The Bundle and each
resource in it are validated: names and types of all elements, which are required, one of each choice of types, patterns of ids, codes,
dates and URLs. Unknown elements are errors. Then each resource is written again and compared with what was read: nothing may be lost.
References must point at a resource of the Bundle, but for those of prescriptions to what is kept elsewhere (`encounter`,
`priorPrescription`), which are counted. Every type of resource that we write has to occur.

Not checked, as the models do not know them: invariants written in FHIRPath, and value sets. The few that touch us are checked here by
hand: see `invariants`.

The bundle comes from `FANGWRIGHT_BUNDLE=BUNDLE.json cargo test -p fangwright-clinic --test fhir -- --ignored`. Ends with 1 on errors.
"""

import json
import re
import sys
from collections import Counter
from datetime import date, datetime, time, timezone
from decimal import Decimal

import fhir.resources
from fhir.resources import construct_fhir_element

WANTED = {
    "AllergyIntolerance",
    "Appointment",
    "Basic",
    "Condition",
    "Consent",
    "DocumentReference",
    "Encounter",
    "Media",
    "MedicationDispense",
    "MedicationRequest",
    "MedicationStatement",
    "Observation",
    "Patient",
    "Practitioner",
    "Provenance",
}
MAY_LIE_OUTSIDE = {"encounter", "priorPrescription"}
INSTANT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?(Z|[+-]\d\d:\d\d)")


def plain(value):
    """The value with instants and numbers brought to one form."""
    if isinstance(value, dict):
        return {k: plain(v) for k, v in value.items()}
    if isinstance(value, list):
        return [plain(v) for v in value]
    if isinstance(value, datetime):
        return value.astimezone(timezone.utc)
    if isinstance(value, str) and INSTANT.fullmatch(value):
        return datetime.fromisoformat(value.replace("Z", "+00:00")).astimezone(timezone.utc)
    if isinstance(value, (int, float, Decimal)) and not isinstance(value, bool):
        return float(value)
    return value


def written(model):
    """What a model holds, as JSON has it. The library's own writer forgets extensions of elements that have no value."""
    if isinstance(model, list):
        return [written(v) for v in model]
    if not hasattr(model, "__fields__"):
        if isinstance(model, (date, time)) and not isinstance(model, datetime):
            return model.isoformat()
        return model.decode() if isinstance(model, bytes) else model
    out = {"resourceType": model.resource_type} if model.has_resource_base() else {}
    for name, field in model.__fields__.items():
        value = getattr(model, name)
        if name != "resource_type" and value is not None:
            out[field.alias] = written(value)
    return out


def differences(was, now, path=""):
    """Where two values differ."""
    if isinstance(was, dict) and isinstance(now, dict):
        for key in sorted(was.keys() | now.keys()):
            if key not in now or key not in was:
                yield f"{path}/{key} is {'lost' if key in was else 'new'}"
            else:
                yield from differences(was[key], now[key], f"{path}/{key}")
    elif isinstance(was, list) and isinstance(now, list) and len(was) == len(now):
        for i, (a, b) in enumerate(zip(was, now)):
            yield from differences(a, b, f"{path}/{i}")
    elif was != now:
        yield f"{path}: {was!r} became {now!r}"


def references(value, key=""):
    """Every reference with the name of the element it stands in."""
    if isinstance(value, dict):
        if isinstance(value.get("reference"), str):
            yield key, value["reference"]
        for k, v in value.items():
            yield from references(v, k)
    elif isinstance(value, list):
        for v in value:
            yield from references(v, key)


def extensions(value):
    """Every extension."""
    if isinstance(value, dict):
        for k, v in value.items():
            if k == "extension":
                yield from v
            yield from extensions(v)
    elif isinstance(value, list):
        for v in value:
            yield from extensions(v)


def invariants(r):
    """What FHIR says in FHIRPath about the resources we write; by its own key."""
    kind = r["resourceType"]
    for e in extensions(r):
        held = [k for k in e if k.lstrip("_").startswith("value")]
        if len(held) + ("extension" in e) != 1:
            yield f"ext-1: {e}"
    mentioned = {ref for _, ref in references(r)}
    for c in r.get("contained", []):
        if "#" + c["id"] not in mentioned:
            yield f"dom-3: {c['id']} is contained and not referred to"
        if "contained" in c or "meta" in c and {"versionId", "lastUpdated"} & c["meta"].keys():
            yield "dom-2 or dom-4: of what is contained"
    if kind == "AllergyIntolerance" and "clinicalStatus" not in r:
        yield "ait-1"
    if kind == "Condition":
        state = r["clinicalStatus"]["coding"][0]["code"]
        if "abatementDateTime" in r and state not in ("inactive", "resolved", "remission"):
            yield "con-4"
    if kind == "Consent" and not ("policy" in r or "policyRule" in r):
        yield "ppc-1"
    if kind == "Appointment":
        starts, ends = ({"start", "_start"} & r.keys(), {"end", "_end"} & r.keys())
        if bool(starts) != bool(ends):
            yield "app-2"
        if not starts and r["status"] not in ("proposed", "cancelled", "waitlist"):
            yield "app-3"
        if any(not {"type", "actor"} & p.keys() for p in r["participant"]):
            yield "app-1"
    if kind == "Patient" and any("value" in t and "system" not in t for t in r.get("telecom", [])):
        yield "cpt-2"
    if kind == "Observation" and "dataAbsentReason" in r and any(k.startswith("value") for k in r):
        yield "obs-6"


def check(bundle):
    errors = []
    outside = 0
    entries = bundle.get("entry", [])
    urls = [e["fullUrl"] for e in entries]
    errors += [f"{u} stands {n} times" for u, n in Counter(urls).items() if n > 1]
    known = set(urls)
    try:
        construct_fhir_element("Bundle", bundle)
    except ValueError as e:
        errors.append(f"Bundle: {e}")
    for i, entry in enumerate(entries):
        r = entry["resource"]
        where = f"/entry/{i}/resource ({r['resourceType']})"
        try:
            now = written(construct_fhir_element(r["resourceType"], r))
        except ValueError as e:
            errors.append(f"{where}: {e}")
            continue
        errors += [f"{where}{d}" for d in differences(plain(r), plain(now))]
        errors += [f"{where}: {d}" for d in invariants(r)]
        if entry["fullUrl"] != f"urn:uuid:{r['id']}":
            errors.append(f"{where}: fullUrl and id differ")
        for element, ref in references(r):
            inside = ref.startswith("#") and any(ref == "#" + c["id"] for c in r.get("contained", []))
            if ref in known or inside:
                continue
            if element in MAY_LIE_OUTSIDE:
                outside += 1
            else:
                errors.append(f"{where}: {element} points at {ref}, which is not there")
    return errors, outside


def main():
    if len(sys.argv) != 2:
        sys.exit(__doc__)
    if fhir.resources.__fhir_version__ != "4.0.1":
        sys.exit(f"this fhir.resources is of FHIR {fhir.resources.__fhir_version__}; install fhir.resources==6.2.2")
    with open(sys.argv[1], encoding="utf-8") as file:
        bundle = json.load(file, parse_float=Decimal)
    errors, outside = check(bundle)
    counts = Counter(e["resource"]["resourceType"] for e in bundle.get("entry", []))
    contained = Counter(c["resourceType"] for e in bundle["entry"] for c in e["resource"].get("contained", []))
    for kind, n in sorted(counts.items()):
        print(f"{n:6} {kind}")
    for kind, n in sorted(contained.items()):
        print(f"{n:6} {kind} (contained)")
    print(f"{outside:6} references to what is kept elsewhere")
    errors += [f"no {kind} occurs" for kind in sorted(WANTED - counts.keys())]
    if "Medication" not in contained:
        errors.append("no Medication is contained")
    for e in errors[:50]:
        print(e, file=sys.stderr)
    if errors:
        sys.exit(f"{len(errors)} errors")
    print("valid FHIR R4, and nothing is lost on the way")


if __name__ == "__main__":
    main()
