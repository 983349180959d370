"""A building site and a statement, as programs that nobody here wrote see them.

- csv, pypdfium2: the keying schedule and the sheet of a site, read back
- hashlib, pypdfium2: a statement, its hash, what is printed of it
"""

import base64
import csv
import hashlib
import io
import json

import pypdfium2

from cards import fetch


def pages(pdf):
    # A hyphen at the end of a line is read as U+FFFE, since it may be one that was put in there.
    texts = (page.get_textpage().get_text_range() for page in pypdfium2.PdfDocument(pdf))
    return [text.replace("\ufffe", "-") for text in texts]


def check(address, call, owner, builder, ids, site, ok):
    # Ten plots, front and back alike in each: 20 locks, 20 packs, 10 differs, 40 keys (common practice).
    order = call(f"/v1/sites/{site}/order-list", builder)
    assert [order[name] for name in ("plots", "locks", "packs", "differs", "keys_with_packs")] == [10, 20, 20, 10, 40]
    progress = call(f"/v1/sites/{site}/progress", builder)
    assert (progress["handed_over"], progress["on_site_key"], progress["tried"]) == (10, 0, 20), progress
    sheet, _ = fetch(address, f"/v1/sites/{site}/progress.pdf", builder)
    text = "".join(pages(sheet))
    assert all(f"Plot {number}" in text for number in range(1, 11)) and text.count("handed over") >= 10, text
    ok("pypdfium2: the sheet of a site, ten plots handed over")

    path = f"/v1/registrations/{ids['registration']}"
    schedule, headers = fetch(address, f"{path}/keying-schedule.csv", owner)
    lines = list(csv.DictReader(io.StringIO(schedule.decode())))
    assert {line["label"] for line in lines} == {"Front door", "Back door"}, lines
    assert {(line["differ"], line["locks_alike"]) for line in lines} == {("MB40-2071", "2")}, lines
    printed, _ = fetch(address, f"{path}/keying-schedule.pdf", owner)
    text = "".join(pages(printed))
    assert "MB40-2071" in text and "Alder Rise" not in text + schedule.decode(), text
    ok("csv, pypdfium2: a keying schedule with no address")

    statement = call(f"{path}/statements", owner, {})
    digest = base64.urlsafe_b64encode(hashlib.sha256(statement["text"].encode()).digest()).decode().rstrip("=")
    assert statement["hash"] == digest and json.loads(statement["text"]) == statement["content"]
    shown = json.loads(base64.urlsafe_b64decode(statement["disclosure"] + "=" * (-len(statement["disclosure"]) % 4)))
    assert shown[1:] == ["statement", digest], shown
    printed, _ = fetch(address, f"/v1/statements/{statement['content']['statement_id']}/statement.pdf", owner)
    text = "".join(pages(printed))
    assert all(words in text for words in ("Alder Rise", "BS 3621", "Tobiah Ostrey", digest)), text
    assert not any("MB40-2071" in words for words in (text, statement["text"])), text
    together = "".join(text.split())
    assert statement["disclosure"] in together, text
    ok("hashlib, pypdfium2: a statement, its hash and disclosure, no differ in it")
