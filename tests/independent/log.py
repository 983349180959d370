"""The log as it is served, read by aics-tlog: note, every tile, every bundle, consistency.

Usage: log.py ADDRESS VKEY ACCESS-TOKEN EARLIER-CHECKPOINT     (Python 3.12 or newer)
"""

import sys
import urllib.error
import urllib.request
from pathlib import Path

import aics_tlog
from aics_tlog.checkpoint import checkpoint_from_note
from aics_tlog.tiles import entry_bundle_path, tile_path

address, vkey, token, earlier_file = sys.argv[1:5]
key = aics_tlog.parse_vkey(vkey)


def get(path: str) -> bytes:
    request = urllib.request.Request(f"{address}/log/{path}", headers={"authorization": f"Bearer {token}"})
    with urllib.request.urlopen(request) as answer:
        return answer.read()


class Served:
    """Tiles and bundles over HTTP; entries are for auditors."""

    def read(self, path: str) -> bytes | None:
        try:
            return get(path)
        except urllib.error.HTTPError as error:
            if error.code == 404:
                return None
            raise

    def read_tile(self, level: int, index: int, width: int | None) -> bytes | None:
        return self.read(tile_path(level, index, width))

    def read_entry_bundle(self, index: int, width: int | None) -> bytes | None:
        return self.read(entry_bundle_path(index, width))


def opened(text: bytes) -> aics_tlog.Checkpoint:
    checkpoint, note = checkpoint_from_note(text)
    assert aics_tlog.verify_note(note, [key]), "the signature is not good"
    assert checkpoint.origin == key.name
    return checkpoint


now, old = opened(get("checkpoint")), opened(Path(earlier_file).read_bytes())
report = aics_tlog.audit_tiles(Served(), now.size, now.root)
proof = aics_tlog.consistency_proof_from_tiles(Served(), old.size, now.size)
assert aics_tlog.verify_consistency(old.size, now.size, old.root, now.root, proof)
print(f"size {report.size}, {report.tiles} tiles, {report.bundles} bundles, consistent with size {old.size}")
