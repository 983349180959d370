"""Programs that nobody here wrote look at the running demo.

- openapi-spec-validator: the document is OpenAPI 3.1
- jsonschema, openapi-python-client: the document is fit for generators, and a generated client works
  (tests/independent/document.py)
- schemathesis: no 500 and no undocumented answer, as the supplier, as a tenant and as nobody
- PyJWT, jwcrypto: access tokens and key ids (RFC 7519, RFC 7638, RFC 8037)
- PyJWT, jwcrypto, zlib, pypdfium2, zxing-cpp: cards, status lists, what is printed
  (tests/independent/cards.py)
- hashlib, pypdfium2, csv: a site's figures and sheets, a statement and its hash
  (tests/independent/sites.py)
- python-stdnum: check digits of registrations and cards (ISO/IEC 7064 MOD 97-10)

- tlog-scales, aics-tlog (tests/independent/log.py, where there is a Python of 3.12 or newer), Go's
  golang.org/x/mod (tests/independent/log.go): the evidence log, its tiles, proofs and receipts
  (RFC 6962, C2SP signed-note, tlog-checkpoint, tlog-tiles, tlog-proof)

After these, the lines that the service wrote meanwhile are searched for what must not be in them.

Usage: verify.py ADDRESS LOG_OF_THE_DEMO PROGRAM [PYTHON_WITH_AICS_TLOG]
"""

import json
import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
import urllib.error
import urllib.request
import uuid
from pathlib import Path

import cards as owners_cards
import document as openapi_document
import jwt
import sites as sites_and_statements
from jwcrypto import jwk
from openapi_spec_validator import OpenAPIV31SpecValidator
from stdnum.iso7064 import mod_97_10
from tlog_scales.backend import HttpBackend
from tlog_scales.reader import TilesReader
from tlog_scales.tlog import Checkpoint

address, log_file, program = sys.argv[1:4]
newer_python = sys.argv[4] if len(sys.argv) > 4 else None
log = Path(log_file).read_text()
passed = 0


def ok(what: str) -> None:
    global passed
    passed += 1
    print(f"ok   {what}")


def call(path: str, token: str | None = None, body: dict | None = None) -> dict:
    request = urllib.request.Request(address + path)
    if token:
        request.add_header("authorization", f"Bearer {token}")
    data = None
    if body is not None:
        request.add_header("content-type", "application/json")
        request.add_header("idempotency-key", str(uuid.uuid4()))
        data = json.dumps(body).encode()
    with urllib.request.urlopen(request, data) as answer:
        return json.load(answer)


def sign_in(email: str) -> str:
    line = next(line for line in log.splitlines() if email in line)
    password = line.split(email)[1].split()[0]
    body = {"email": email, "password": password}
    if secret := re.search(r"code secret (\w+)", line):
        body["code"] = subprocess.run(
            [program, "code", secret[1]], check=True, capture_output=True, text=True
        ).stdout.strip()
    return call("/v1/sessions", body=body)["access_token"]


document = call("/v1/openapi.json")
OpenAPIV31SpecValidator(document).validate()
assert document["openapi"].startswith("3.1")
ok(f"openapi-spec-validator: {len(document['paths'])} paths")

supplier, tenant = sign_in("hester@marrowby.example"), sign_in("calla@brunt.example")

keys = call("/.well-known/jwks.json")["keys"]
header = jwt.get_unverified_header(supplier)
key = next(key for key in keys if key["kid"] == header["kid"])
claims = jwt.decode(
    supplier, jwt.PyJWK(key).key, algorithms=["EdDSA"], audience="wardbook", issuer=address
)
assert header["typ"] == "at+jwt" and claims["exp"] - claims["iat"] == 600
for wrong in ({"audience": "another"}, {"audience": "wardbook", "issuer": "http://another"}):
    try:
        jwt.decode(supplier, jwt.PyJWK(key).key, algorithms=["EdDSA"], **wrong)
    except jwt.InvalidTokenError:
        continue
    raise AssertionError(wrong)
ok("PyJWT: signature, audience, issuer")
assert jwk.JWK(**key).thumbprint() == key["kid"]
ok("jwcrypto: the key id is the thumbprint")

registration = call("/v1/registrations", supplier)["items"][0]
cards = call(f"/v1/registrations/{registration['id']}/cards", supplier)["items"]
for number in [registration["number"], *(card["number"] for card in cards)]:
    digits = number.replace("-", "")
    assert len(digits) == 14 and mod_97_10.is_valid(digits), number
    for at in range(14):
        for digit in "0123456789":
            typed = digits[:at] + digit + digits[at + 1 :]
            assert mod_97_10.is_valid(typed) == (typed == digits)
ok(f"python-stdnum: check digits of {1 + len(cards)} numbers")

ids = dict(re.findall(r"^(registration|differ|counter) +(\S+)", log, re.M))
owner, staff = sign_in("tobiah@ostrey.example"), sign_in("bram@pellworth.example")
card_keys = owners_cards.check(address, call, supplier, ids, cards[0], ok)
owners_cards.check_counter(address, call, owner, staff, ids, card_keys, ok)

site = re.search(r"^site +([0-9a-f-]+)", log, re.M)[1]
sites_and_statements.check(address, call, owner, sign_in("rafe@holmbury.example"), ids, site, ok)

folder = Path(tempfile.mkdtemp())
(folder / "openapi.json").write_text(json.dumps(document))
openapi_document.check(address, document, folder / "openapi.json", folder, supplier, owner, ids, site, ok)
log_key = re.search(r"^log key +(\S+)", log, re.M)[1]


def text(path: str, token: str | None = None) -> str:
    request = urllib.request.Request(address + path)
    if token:
        request.add_header("authorization", f"Bearer {token}")
    with urllib.request.urlopen(request) as answer:
        return answer.read().decode()


asked = call(
    f"/v1/registrations/{ids['registration']}/copy-requests",
    tenant,
    {"differ_id": ids["differ"], "counter_id": ids["counter"]},
)
receipts = [folder / "first"]
receipts[0].write_text(text(f"/v1/log-entries/{asked['entry_id']}/receipt?wait=20", tenant))
earlier = folder / "earlier"
earlier.write_text(text("/log/checkpoint"))

CHECKS = (
    "not_a_server_error,status_code_conformance,content_type_conformance,"
    "response_headers_conformance,response_schema_conformance"
)
# These would end the session of the run, or change who may sign in.
LEFT_OUT = ["sign_out", "change_password", "set_second_factor", "remove_second_factor"]


def contract(who: str, token: str | None, examples: int, phases: str) -> None:
    command = [
        str(Path(sys.executable).parent / "schemathesis"),
        "run",
        f"{address}/v1/openapi.json",
        "--checks",
        CHECKS,
        "--max-examples",
        str(examples),
        "--phases",
        phases,
        "--seed",
        "7",
        # Two threads that parse at once break off now and then: "AST constructor recursion depth mismatch",
        # a fault of CPython 3.11 (gh-106905) that has nothing to do with the service.
        "--workers",
        "1",
        "--no-color",
        "--request-timeout",
        "30",
    ]
    if token:
        command += ["--header", f"Authorization: Bearer {token}"]
        for operation in LEFT_OUT:
            command += ["--exclude-operation-id", operation]
    with tempfile.TemporaryDirectory() as folder:
        done = subprocess.run(command, cwd=folder, capture_output=True, text=True)
    if done.returncode != 0:
        # What went wrong comes first; the warnings after it are long.
        told = re.search(r"=+ (?:ERRORS|FAILURES) =+.*?(?==+ (?:WARNINGS|SUMMARY) =+)", done.stdout, re.S)
        print(told[0][:20000] if told else "", done.stdout[-3000:], done.stderr[-2000:])
        raise SystemExit(f"schemathesis as {who}: something is wrong")
    summary = re.search(r"(\d+) generated", done.stdout)
    ok(f"schemathesis as {who}: {summary[0] if summary else 'no failures'}")


# The edges of every value (the phase called coverage) are the same whoever sends them, and they are most of
# the calls: the supplier, to whom most is allowed, sends them for all. An access token is good for ten
# minutes, and each of these runs takes some.
old_tokens = [supplier, tenant]
contract("the supplier", supplier, 15, "examples,coverage,fuzzing")
contract("a tenant", tenant := sign_in("calla@brunt.example"), 15, "examples,fuzzing")
contract("nobody", None, 10, "examples,fuzzing")
old_tokens.append(tenant)
supplier, tenant = sign_in("hester@marrowby.example"), sign_in("calla@brunt.example")

# More than two full tiles, so that there is a second level.
for number in range(600):
    call("/v1/people", supplier, {"name": f"Somebody {number}"})
size = int(text("/log/checkpoint").splitlines()[1])
while size <= 600:
    time.sleep(0.2)
    size = int(text("/log/checkpoint").splitlines()[1])
receipts.append(folder / "second")
receipts[1].write_text(text(f"/v1/log-entries/{asked['entry_id']}/receipt", tenant))
scales = TilesReader(HttpBackend(f"{address}/log"))
old, new = Checkpoint.from_text(earlier.read_text()), scales.get_checkpoint()
assert scales.calculate_root_hash() == new.root_hash and old.size < new.size
scales.get_consistency_proof(old.size, new.size).check(old.root_hash, new.root_hash)
ok(f"tlog-scales: the root at size {new.size}, consistent with size {old.size}")


def independent(who: str, *command: object) -> None:
    go = {"GO111MODULE": "off", "GOPATH": "/usr/share/gocode", "GOCACHE": str(folder / "go")}
    environment = {**os.environ, **go}
    words = [str(word) for word in command]
    done = subprocess.run(words, capture_output=True, text=True, env=environment)
    if done.returncode != 0:
        raise SystemExit(f"{who}: {done.stdout}{done.stderr}")
    ok(f"{who}: {done.stdout.strip()}")


here = Path(__file__).parent
independent("golang.org/x/mod", "go", "run", here / "log.go", address, log_key, earlier, *receipts)
if newer_python:
    independent("aics-tlog", newer_python, here / "log.py", address, log_key, supplier, earlier)
shutil.rmtree(folder)

# No secret and nobody's name, address or number in a log line (I11). What
# was printed before the first call is the demo's own list of sign-ins.
planted = "planted-7c1f"
for path, body in [
    ("/v1/sessions", {"email": f"{planted}@marrowby.example", "password": planted}),
    (f"/v1/registrations/{planted}", None),
    (f"/v1/registrations?after={planted}", None),
    (f"/{planted}", None),
    ("/v1/people", {"name": f"{planted}\n", "email": planted, planted: planted}),
]:
    try:
        call(path, supplier, body)
    except urllib.error.HTTPError:
        continue
    raise AssertionError(f"{path} was answered")
lines = Path(log_file).read_text()[len(log) :]
assert lines.count("request.done") > 1000
private = [planted, log_key.split("+")[2], supplier, tenant, "@", registration["number"], registration["premises"]]
private += [card["number"] for card in cards] + [owner, staff, *old_tokens]
private += [between.join(map(str, owners_cards.HEIGHTS)) for between in (", ", ",", " ", "-")]
for sign_ins in re.findall(r"(\S+@\S+) +(\S+)(?: +code secret (\S+))?", log):
    private += [value for value in sign_ins if value]
for value in private:
    assert value not in lines, f"{value} stands in a log line"
ok(f"{len(private)} private values in none of {lines.count(chr(10))} log lines")
print(f"{passed} passed, 0 failed")
