#!/usr/bin/env python3
"""The service against its own description, by a tester of services: Schemathesis.

    python3 service_schemathesis.py --binary PROGRAM [--max-examples 25] [--seed 20261125] [--only RUN]

A new store in a temporary folder gets an account of each role; a person with something of every kind is put into it through the
service itself. Then Schemathesis makes requests up from the OpenAPI description that the program prints, good ones and bad ones, with
the token of each role in turn, and holds each answer against the description: no answer of 5xx, only statuses, media types and shapes
that are described, what does not fit the description refused, no way round the log-in, 405 for methods that are not described. Ids in
paths are mostly those of records that are there, else hardly any request would come further than 404.

What is left out, and why:

- the check `positive_data_acceptance`: that a request fits its shape does not make it sensible. A version must be the present one, a
  draft is signed once, a substance must be known, a lot must be there, a value must lie in the range of its measure: rules of the trade
  that a shape cannot say;
- the checks `use_after_free` and `ensure_resource_availability`: nothing is deleted but a session, and after an erasure the answer is
  410, which the description says;
- the check `object_level_authorization`, and for each role the operations that are not for it: who may do what with whose record is
  tested one by one in tests/service.rs;
- in the runs of the roles, what ends a session, changes how an account logs in or uses up its tries: log-in, log-out, password and
  second factor. They are tested in two runs with accounts of their own;
- in the runs of the roles, `erase`: the person would be gone for the rest. It is tested in a run of its own, at the end;
- `print-record`: a page takes long to set. It is asked for once and looked at;
- the phase `stateful`: the description names no links between its operations.

Ends with 1 if anything fails, and prints what Schemathesis says.
"""

import argparse
import json
import os
import re
import shutil
import subprocess
import sys
import tempfile
import threading
import time
import urllib.error
import urllib.request
from datetime import date, timedelta
from pathlib import Path

PASSWORD = "seven quiet herons"
ROLES = {
    "practitioner": "p.one", "dispenser": "d.ash", "student": "s.elm", "front-desk": "f.fir", "auditor": "a.oak",
    "session": "p.two", "log-out": "p.three", "erasure": "p.four",
}
OF_ROLE = {"session": "practitioner", "log-out": "practitioner", "erasure": "practitioner"}
LEFT_OUT = ["positive_data_acceptance", "use_after_free", "ensure_resource_availability", "object_level_authorization"]
OWN = ["log-in", "change-password", "begin-second-factor", "confirm-second-factor", "remove-second-factor"]
NOT_SHARED = [*OWN, "log-out", "erase", "print-record"]
FORMULA = [("Gui Zhi", "gui-zhi", 9), ("Bai Shao", "bai-shao", 9), ("Zhi Gan Cao", "zhi-gan-cao", 6), ("Sheng Jiang", "sheng-jiang", 9),
           ("Da Zao", "da-zao", 9)]
PNG = bytes.fromhex("89504e470d0a1a0a0000000d4948445200000001000000010802000000907753de0000000c4944415478da63d8e0e0000002d40131f8391a02"
                    "0000000049454e44ae426082")
TODAY = date.today().isoformat()


class Service:
    """The program, serving a store of its own."""

    def __init__(self, binary, folder):
        self.binary, self.folder = str(binary), folder
        self.settings = folder / "settings.toml"
        self.settings.write_text("law_keeps_years = 10\n", encoding="utf-8")
        self.process = None
        self.at = None

    def command(self, *words):
        return [self.binary, "clinic", "--store", str(self.folder / "clinic.sqlite"), "--settings", str(self.settings), *words]

    def account(self, account, role):
        words = self.command("account", "add", account, "--role", role, "--name", "Account Madeup")
        subprocess.run(words, input=PASSWORD + "\n", text=True, check=True, stdout=subprocess.DEVNULL)

    def start(self):
        self.process = subprocess.Popen(self.command("serve", "--listen", "127.0.0.1:0"), stdout=subprocess.PIPE, text=True)
        line = self.process.stdout.readline()
        found = re.search(r"http://[0-9.]+:[0-9]+", line)
        if not found:
            self.stop()
            sys.exit(f"the service says no address: {line!r}")
        self.at = found.group()
        # Whatever else it prints must not fill the pipe.
        threading.Thread(target=self.process.stdout.read, daemon=True).start()

    def stop(self):
        """Tells it to stop and gives its exit code."""
        if self.process is None:
            return 0
        self.process.terminate()
        try:
            return self.process.wait(timeout=30)
        except subprocess.TimeoutExpired:
            self.process.kill()
            return "it did not stop"

    def ask(self, method, path, token=None, body=None, media="application/json"):
        data = body if isinstance(body, bytes) else None if body is None else json.dumps(body).encode()
        request = urllib.request.Request(self.at + path, data=data, method=method)
        if data is not None:
            request.add_header("Content-Type", media)
        if token:
            request.add_header("Authorization", f"Bearer {token}")
        try:
            with urllib.request.urlopen(request, timeout=60) as answer:
                said, kind = answer.read(), answer.headers.get("Content-Type", "")
        except urllib.error.HTTPError as error:
            sys.exit(f"{method} {path}: {error.code} {error.read().decode(errors='replace')}")
        return json.loads(said) if kind == "application/json" else said

    def log_in(self, account):
        return self.ask("POST", "/session", body={"account": account, "password": PASSWORD})["token"]


def fill(service, token):
    """A person with something of every kind; gives the ids of each kind."""

    def make(path, body, media="application/json"):
        return service.ask("POST", path, token, body, media)

    for name, product, _ in FORMULA:
        make("/stock/movements", {"movement": {"product": {"id": product, "substance": product, "name": name, "sort": "raw"}}})
        later = (date.today() + timedelta(days=700)).isoformat()
        make("/stock/movements", {"movement": {"receive": {"lot": f"{product}-1", "product": product, "grams": "1000000", "expiry": later}}})
    person = make("/people", {"names": ["Ada Invented"], "born": "1980-02-03", "sex": "male", "phone": "5550199"})
    of = f"/people/{person['id']}"
    known = {"names": ["Ada Invented"], "born": "1980-02-03", "sex": "male", "allergies": [], "medicines": [], "conditions": [],
             "consents": [{"to": "teaching", "given": True, "on": TODAY}]}
    service.ask("PUT", of, token, {"version": 1, "record": known})
    visits = [make(f"{of}/visits", {"on": TODAY, "complaint": text})["id"] for text in ("shivers", "shivers less")]
    rx = {"on": TODAY, "title": "against the wind", "formula": "gui-zhi-tang", "days": 7, "doses": 2, "visit": visits[1],
          "items": [{"name": name, "grams": grams} for name, _, grams in FORMULA]}
    draft, signed = (make(f"{of}/prescriptions", rx)["id"] for _ in range(2))
    make(f"/prescriptions/{signed}/signature", {"version": 1})
    handed = make(f"/prescriptions/{signed}/dispensings", {"preparation": "raw-decoction"})["dispensing"]["id"]
    measure = make(f"{of}/measures", {"name": "shivering"})["id"]
    make(f"/measures/{measure}/readings", {"on": TODAY, "value": 4})
    day = make(f"{of}/appointments", {"on": TODAY, "purpose": "visit"})["id"]
    picture = make(f"{of}/attachments?shows=tongue", PNG, "image/png")["id"]
    if not service.ask("GET", f"{of}/record.pdf", token).startswith(b"%PDF-"):
        sys.exit("the printed record is no PDF")
    return {"people": [person["id"]], "visits": visits, "prescriptions": [signed, draft], "dispensings": [handed], "measures": [measure],
            "appointments": [day], "attachments": [picture]}


def configuration(ids):
    """For Schemathesis: ids of records that are there, for nine of ten requests."""
    lines = []
    for kind, known in ids.items():
        lines += [f"[dictionaries.{kind}]", f"values = {json.dumps(known)}", ""]
    lines += ["[parameters]", '"path.person" = { dictionary = "people", probability = 0.9 }', ""]
    for kind in ids:
        if kind == "people":
            continue
        lines += ["[[operations]]", f'include-path-regex = "^/{kind}/"', "[operations.parameters]",
                  f'"path.id" = {{ dictionary = "{kind}", probability = 0.9 }}', ""]
    for kind in ("visits", "prescriptions"):
        lines += ["[[operations]]", f'include-path = "/{kind}/{{id}}/difference"', "[operations.parameters]",
                  f'"path.id" = {{ dictionary = "{kind}", probability = 0.9 }}',
                  f'"query.from" = {{ dictionary = "{kind}", probability = 0.9 }}', ""]
    return "\n".join(lines)


def program():
    """`st` beside the Python that runs this, or wherever it is found."""
    beside = Path(sys.executable).parent / "st"
    found = str(beside) if beside.exists() else shutil.which("st")
    return found or sys.exit("schemathesis is not installed: pip install -r tests/reference/python/requirements.txt")


def run(folder, service, name, token, examples, seed, filters):
    """One run of Schemathesis; true if nothing failed."""
    words = [
        program(), "--no-color", "--config-file", str(folder / "schemathesis.toml"), "run", str(folder / "openapi.json"),
        "--url", service.at, "--header", f"Authorization: Bearer {token}", "--phases", "examples,coverage,fuzzing",
        "--checks", "all", "--exclude-checks", ",".join(LEFT_OUT), "--max-examples", str(examples), "--seed", str(seed),
        "--generation-database", "none", "--suppress-health-check", "all", "--request-timeout", "60",
        "--continue-on-failure", "--warnings", "off", *filters,
    ]
    began = time.monotonic()
    done = subprocess.run(words, cwd=folder, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, env={**os.environ, "COLUMNS": "140"})
    took = time.monotonic() - began
    print(f"==== {name}: {'nothing failed' if done.returncode == 0 else f'FAILED ({done.returncode})'}, {took:.0f} s", flush=True)
    print(done.stdout if done.returncode else "\n".join(done.stdout.strip().splitlines()[-8:]), flush=True)
    return done.returncode == 0


def only(*operations):
    return [word for operation in operations for word in ("--include-operation-id", operation)]


def open_to(folder, role):
    """What the description says a role may use, but for what is tested with accounts of its own."""
    described = json.loads((folder / "openapi.json").read_text(encoding="utf-8"))
    found = []
    for operation in (o for methods in described["paths"].values() for o in methods.values()):
        whom = re.split(r"[:,.] ?", re.sub(r" \([^)]*\)", "", operation["description"]))
        if role in whom and operation["operationId"] not in NOT_SHARED:
            found.append(operation["operationId"])
    if len(found) < 3:
        sys.exit(f"the description names hardly any operation for {role}: {found}")
    return only(*found)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--binary", type=Path, required=True)
    parser.add_argument("--max-examples", type=int, default=25)
    parser.add_argument("--seed", type=int, default=20261125)
    parser.add_argument("--only", choices=list(ROLES), action="append")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="fangwright-service-") as name:
        folder = Path(name)
        service = Service(options.binary.resolve(), folder)
        for run_name, account in ROLES.items():
            service.account(account, OF_ROLE.get(run_name, run_name))
        described = subprocess.run([service.binary, "clinic", "openapi"], check=True, capture_output=True).stdout
        (folder / "openapi.json").write_bytes(described)
        service.start()
        try:
            well = runs(service, folder, options)
        finally:
            ended = service.stop()
        if ended != 0:
            print(f"the service did not end well: {ended}")
            well = False
        verified = subprocess.run(service.command("audit", "verify"), capture_output=True, text=True)
        print(verified.stdout.strip())
        if verified.returncode != 0:
            print(f"the store does not verify: {verified.stderr}")
            well = False
    return 0 if well else 1


def runs(service, folder, options):
    # All of them at once: log-in is tested below, and tries from one address are limited.
    tokens = {name: service.log_in(account) for name, account in ROLES.items()}
    ids = fill(service, tokens["practitioner"])
    (folder / "schemathesis.toml").write_text(configuration(ids), encoding="utf-8")
    few = max(1, options.max_examples // 5)
    plan = [
        ("practitioner", options.max_examples, open_to(folder, "practitioner")),
        ("dispenser", few, open_to(folder, "dispenser")),
        ("student", few, open_to(folder, "student")),
        ("front-desk", few, open_to(folder, "front-desk")),
        ("auditor", few, open_to(folder, "auditor")),
        ("session", few, only(*OWN)),
        ("log-out", few, only("log-out")),
        ("erasure", few, only("erase")),
    ]
    plan = [p for p in plan if not options.only or p[0] in options.only]
    if any(p[0] == "erasure" for p in plan):
        care = f"/people/{ids['people'][0]}/care"
        service.ask("POST", care, tokens["erasure"], {"why": "to erase on request"})
    # Each of them, also behind one that failed: all is told at once.
    return all([run(folder, service, name, tokens[name], examples, options.seed, filters) for name, examples, filters in plan])


if __name__ == "__main__":
    sys.exit(main())
