"""The hash chain over entries: which bytes it covers, to the byte.

One SHA-256 an entry, over these bytes in this order:

1. the digest of the entry before (32 bytes; for the first entry that of ``ROOT``),
2. `seq`, 8 bytes, big-endian, unsigned,
3. `elapsed_s`, IEEE 754 binary64, big-endian,
4. one byte: 1 where `utc_s` is known, else 0; then `utc_s` as binary64 (0.0 where unknown),
5. length of the kind's word in UTF-8 as 4 bytes big-endian, then the word,
6. length of the body in UTF-8 as 4 bytes big-endian, then the body as it is stored.

The lengths keep two neighbouring texts from being re-divided. A chain cannot prove its own end: who
holds its last digest from elsewhere (a report, a log) can check that nothing was cut off.
"""

from __future__ import annotations

import hashlib
import struct

__all__ = ["ROOT", "digest"]

ROOT = hashlib.sha256(b"mantlewatch journal, format 1").digest()
"""What stands before the first entry."""

_HEAD = struct.Struct(">QdBd")
_LENGTH = struct.Struct(">I")


def digest(
    before: bytes, seq: int, elapsed_s: float, utc_s: float | None, kind: str, body: str
) -> bytes:
    """SHA-256 of one entry, given the digest of the one before."""
    kind_bytes, body_bytes = kind.encode(), body.encode()
    return hashlib.sha256(
        b"".join(
            (
                before,
                _HEAD.pack(seq, elapsed_s, utc_s is not None, 0.0 if utc_s is None else utc_s),
                _LENGTH.pack(len(kind_bytes)),
                kind_bytes,
                _LENGTH.pack(len(body_bytes)),
                body_bytes,
            )
        )
    ).digest()
