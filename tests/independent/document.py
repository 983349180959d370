"""The OpenAPI document: linted, and a client that a generator made of it used on the running service.

- jsonschema: each example and each default is what its own schema takes (JSON Schema 2020-12)
- rules of our own: what a reader or a generator stumbles over
- openapi-python-client: generates without a warning, and what it generated works
"""

import subprocess
import sys
import uuid
from pathlib import Path

from jsonschema import Draft202012Validator

METHODS = ("get", "post", "put", "patch", "delete")
HERE = Path(__file__).parent


def operations(document):
    for path, item in document["paths"].items():
        for method in METHODS:
            if method in item:
                yield f"{method} {path}", item[method]


def schemas(value, place="#"):
    """Every schema in the document, with its place."""
    if isinstance(value, dict):
        if not place.endswith(("/properties", "/schemas")) and ({"type", "$ref", "oneOf", "allOf"} & set(value)):
            yield place, value
        for name, part in value.items():
            yield from schemas(part, f"{place}/{name}")
    elif isinstance(value, list):
        for at, part in enumerate(value):
            yield from schemas(part, f"{place}/{at}")


def holds_objects(value):
    return isinstance(value, dict) or (isinstance(value, list) and any(map(holds_objects, value)))


def lint(document):
    """What is wrong with the document; nothing, when it is as it should be."""
    wrong = []
    say = wrong.append
    if not document.get("servers"):
        say("no servers")
    tags = {tag["name"]: tag.get("description", "") for tag in document.get("tags", [])}
    ids = set()
    for name, operation in operations(document):
        if operation["operationId"] in ids:
            say(f"{name}: its operationId stands twice")
        ids.add(operation["operationId"])
        for tag in operation.get("tags", []) or ["none"]:
            if not tags.get(tag, "").endswith("."):
                say(f"{name}: tag {tag} has no sentence")
        if not operation.get("summary"):
            say(f"{name}: no summary")
        for parameter in operation.get("parameters", []):
            if not parameter.get("description", "").endswith("."):
                say(f"{name}: parameter {parameter['name']} has no sentence")
        for status, response in operation["responses"].items():
            if "$ref" in response:
                continue
            if not response["description"]:
                say(f"{name}: {status} has no description")
            for kind, content in response.get("content", {}).items():
                schema = content.get("schema", {})
                if schema.get("type") == "object" and schema.get("properties"):
                    say(f"{name}: {status} has a schema without a name")
                if kind != "application/json" and schema.get("type") == "array":
                    say(f"{name}: {kind} is said to be a list")
    named = document["components"]["schemas"]
    for name, schema in named.items():
        for field, part in schema.get("properties", {}).items():
            if part.get("type") == "array" and part["items"].get("properties"):
                say(f"{name}/{field}: its items have no name")
    for place, schema in schemas(document):
        values = [*schema.get("examples", [])] if isinstance(schema.get("examples", []), list) else []
        if "example" in schema:
            say(f"{place}: `example` is not a keyword of JSON Schema: `examples`")
        if "default" in schema:
            if holds_objects(schema["default"]):
                say(f"{place}: its default holds objects")
            values.append(schema["default"])
        whole = {**schema, "components": document["components"]}
        validator = Draft202012Validator(whole, format_checker=Draft202012Validator.FORMAT_CHECKER)
        wrong.extend(f"{place}: {value!r} is not what it takes" for value in values if not validator.is_valid(value))
    return wrong


def generated(document_file, folder):
    """A package made of the document; a warning of the generator is a failure."""
    program = Path(sys.executable).with_name("openapi-python-client")
    package = folder / "wardbook_client"
    done = subprocess.run(
        [program, "generate", "--path", document_file, "--meta", "none", "--config", HERE / "client.yml",
         "--output-path", package, "--fail-on-warning"],
        capture_output=True, text=True,
    )
    assert done.returncode == 0 and "WARNING" not in done.stdout, done.stdout + done.stderr
    return package


def check(address, document, document_file, folder, supplier, owner, ids, site, ok):
    wrong = lint(document)
    assert not wrong, "\n".join(wrong)
    count = sum(1 for _ in operations(document))
    ok(f"the document is as generators and readers want it: {count} operations")
    package = generated(document_file, folder)
    sys.path.insert(0, str(folder))
    from wardbook_client.api.authorities import list_authorities, preview_revocation
    from wardbook_client.api.copies import ask, dry_run, withdraw
    from wardbook_client.api.keys import list_keys
    from wardbook_client.api.sites import progress_sheet
    from wardbook_client.client import AuthenticatedClient
    from wardbook_client.models import Decision, Key, NewCopyRequest, ProblemDetails

    client = AuthenticatedClient(base_url=address, token=supplier)
    asker = AuthenticatedClient(base_url=address, token=owner)
    registration = uuid.UUID(ids["registration"])
    keys = list_keys.sync(registration, client=client, limit=1)
    assert len(keys.items) == 1 and all(isinstance(key, Key) for key in keys.items)
    more = list_keys.sync(registration, client=client, limit=1, after=keys.items[-1].id)
    assert more.items[0].id != keys.items[0].id
    body = NewCopyRequest(differ_id=uuid.UUID(ids["differ"]), counter_id=uuid.UUID(ids["counter"]))
    decision = dry_run.sync(registration, client=asker, body=body)
    assert isinstance(decision, Decision), decision
    chosen = str(uuid.uuid4())
    asked = ask.sync(registration, client=asker, body=body, idempotency_key=chosen)
    again = ask.sync(registration, client=asker, body=body, idempotency_key=chosen)
    assert asked.decision.outcome == decision.outcome and asked.to_dict() == again.to_dict()
    withdraw.sync(asked.copy_request.id, client=asker, idempotency_key=str(uuid.uuid4()))
    authority = list_authorities.sync(registration, client=client).items[0]
    shown = preview_revocation.sync(authority.id, client=client)
    assert authority.id in [each.id for each in shown.authorities]
    missing = list_keys.sync(uuid.uuid4(), client=client)
    assert isinstance(missing, ProblemDetails) and missing.status == 404
    sheet = progress_sheet.sync(uuid.UUID(site), client=client)
    assert sheet.payload.read(5) == b"%PDF-"
    models = len(list((package / "models").glob("*.py")))
    ok(f"openapi-python-client: {models} types, nine calls of what it generated")
