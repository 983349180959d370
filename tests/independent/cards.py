"""Owner's cards, as programs that nobody here wrote see them.

- PyJWT, jwcrypto: card tokens, the bundle of a counter, their keys (RFC 7515, RFC 7517, RFC 8037)
- PyJWT and Python's zlib: status lists (IETF draft Token Status List)
- pypdfium2 renders what is printed, zxing-cpp reads the QR codes (ISO/IEC 18004)
"""

import base64
import json
import re
import time
import urllib.request
import zlib

import jwt
import pypdfium2
import zxingcpp
from jwcrypto import jwk, jws
from PIL import Image, ImageDraw

# Those of the demo's house: they stand on the cutting sheet, and must stand in no log line.
HEIGHTS = [5, 2, 6, 3, 7, 4]


def fetch(address, path, token=None, headers=None, data=None):
    request = urllib.request.Request(address + path, data, headers or {})
    if token:
        request.add_header("authorization", f"Bearer {token}")
    with urllib.request.urlopen(request) as answer:
        return answer.read(), answer.headers


def verified(token, keys, kind):
    """The claims, by PyJWT and by jwcrypto."""
    header = jwt.get_unverified_header(token)
    assert header["typ"] == kind and header["alg"] == "EdDSA", header
    key = next(key for key in keys if key["kid"] == header["kid"])
    claims = jwt.decode(token, jwt.PyJWK(key).key, algorithms=["EdDSA"])
    other = jws.JWS()
    other.allowed_algs = ["EdDSA"]
    other.deserialize(token, jwk.JWK(**key))
    assert json.loads(other.payload) == claims
    assert jwk.JWK(**key).thumbprint() == key["kid"]
    return claims


def status(address, keys, reference):
    """What the list says of a card: two bits, least significant first."""
    assert reference["uri"].startswith(f"{address}/status-lists/"), reference
    body, headers = fetch(address, reference["uri"].removeprefix(address))
    assert headers["content-type"] == "application/statuslist+jwt"
    claims = verified(body.decode(), keys, "statuslist+jwt")
    assert claims["sub"] == reference["uri"] and claims["iat"] < claims["exp"] and claims["ttl"] > 0
    assert claims["status_list"]["bits"] == 2
    packed = claims["status_list"]["lst"]
    statuses = zlib.decompress(base64.urlsafe_b64decode(packed + "=" * (-len(packed) % 4)))
    place = reference["idx"]
    return statuses[place // 4] >> (place % 4 * 2) & 3, claims


def read_qr(image):
    found = zxingcpp.read_barcodes(image)
    assert len(found) == 1 and "QR" in str(found[0].format), found
    return found[0].text


def rendered(pdf, dots):
    page = pypdfium2.PdfDocument(pdf)[0]
    return page.render(scale=dots / 72).to_pil(), page


def check(address, call, supplier, ids, card, ok):
    keys = json.loads(fetch(address, "/.well-known/card-keys.json")[0])["keys"]
    token = call(f"/v1/cards/{card['id']}/token", supplier)["token"]
    claims = verified(token, keys, "wardbook-card+jwt")
    assert claims["sub"] == card["number"].replace("-", "") and set(claims) == {"sub", "exp", "status"}
    ok(f"PyJWT, jwcrypto: a card's token, {len(token)} characters")

    place = claims["status"]["status_list"]
    value, listed = status(address, keys, place)
    assert value == 0 and listed["log_checkpoint"].startswith("localhost/demo\n")
    for state, expected in [("suspended", 2), ("valid", 0)]:
        call(f"/v1/cards/{card['id']}/state", supplier, {"state": state})
        until = time.monotonic() + 10
        while status(address, keys, place)[0] != expected:
            assert time.monotonic() < until, f"{state} is not in the list"
            time.sleep(0.2)
    ok("PyJWT, zlib: the status list tells of a suspension and of its end")

    for file, size, dots in [("card.pdf", (85.60, 53.98), 300), ("letter.pdf", (210, 297), 200)]:
        pdf, _ = fetch(address, f"/v1/cards/{card['id']}/{file}", supplier)
        image, page = rendered(pdf, dots)
        found = [points * 25.4 / 72 for points in page.get_size()]
        assert all(abs(a - b) < 0.05 for a, b in zip(found, size)), found
        assert read_qr(image) == token, file
        text = page.get_textpage().get_text_range()
        assert card["number"] in text, text
        assert ("Calla Brunt" in text) == (file == "letter.pdf"), text
        assert b"FontFile" in pdf, "the typeface is not embedded"
    svg = fetch(address, f"/v1/cards/{card['id']}/card.svg", supplier)[0].decode()
    width = float(re.search(r'viewBox="0 0 ([\d.]+)', svg)[1])
    image = Image.new("L", (int(width) * 4, int(width) * 4), 255)
    draw = ImageDraw.Draw(image)
    for x, y, length in re.findall(r"M([\d.]+),([\d.]+)h([\d.]+)v1", svg):
        x, y, length = float(x) * 4, float(y) * 4, float(length) * 4
        draw.rectangle((x, y, x + length - 1, y + 3), 0)
    assert read_qr(image) == token
    ok("zxing-cpp: QR codes of card, letter and phone, read back from rendered pages")

    return keys


def check_counter(address, call, owner, staff, ids, keys, ok):
    """An order of the owner's, and what the counter sees of it."""
    asked = {"differ_id": ids["differ"], "counter_id": ids["counter"]}
    asked = call(f"/v1/registrations/{ids['registration']}/copy-requests", owner, asked)
    request = asked["copy_request"]["id"]
    assert asked["decision"]["outcome"] == "permitted", asked
    path = f"/v1/copy-requests/{request}/cutting-sheet"
    sheet = call(path, staff, {})["sheet"]
    assert sheet["heights"] == HEIGHTS
    headers = {"accept": "application/pdf", "content-type": "application/json"}
    pdf, _ = fetch(address, path, staff, headers, b"{}")
    _, page = rendered(pdf, 72)
    text = page.get_textpage().get_text_range()
    assert all(str(height) in text for height in HEIGHTS) and "MB40-2071" in text, text
    bundle, _ = fetch(address, f"/v1/counters/{ids['counter']}/offline-authorisations", staff)
    claims = verified(bundle.decode(), keys, "wardbook-authorisations+jwt")
    assert request in [open["copy_request"] for open in claims["authorised"]]
    assert all(value not in json.dumps(claims) for value in ("Alder", "Brunt", str(HEIGHTS)))
    call(f"/v1/copy-requests/{request}/withdrawal", owner, {})
    ok("pypdfium2: the cutting sheet; PyJWT: the bundle of a counter")
