"""SHA-256 of short texts, without the cost of loading a cryptographic library first.

`hashlib` loads one, which takes longer than all the digests of an answer. The interpreter
brings a plain SHA-256 of its own, which its `random` module uses for the same reason; for
the content of files `hashlib` is much faster and is used there.
"""

from __future__ import annotations

try:
    from _sha2 import sha256  # type: ignore[import-not-found]
except ImportError:
    try:
        from _sha256 import sha256  # type: ignore[import-not-found]
    except ImportError:
        from hashlib import sha256


def text_digest(text: str | bytes) -> str:
    """SHA-256, in hex, of a short text in UTF-8; lone surrogates of file names keep their bytes."""
    return str(sha256(text.encode("utf-8", "surrogateescape") if isinstance(text, str) else text).hexdigest())
