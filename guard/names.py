"""Names as text and as bytes, and as they may be shown.

A file's name need not be text: what is no UTF-8 is carried along unharmed.
"""

from __future__ import annotations


def name_bytes(path: str) -> bytes:
    """The bytes of a path as the file system has them, with / between the names."""
    return path.encode("utf-8", "surrogateescape")


def name_text(raw: bytes) -> str:
    """A path from its bytes."""
    return raw.decode("utf-8", "surrogateescape")


def visible(text: str) -> str:
    """Text with every character that could steer a terminal or hide what stands there made visible."""
    if text.isascii() and text.isprintable():
        return text
    return "".join(sign if sign.isprintable() else _spelled(sign) for sign in text)


def _spelled(sign: str) -> str:
    code = ord(sign)
    if 0xDC80 <= code <= 0xDCFF:
        return f"\\x{code - 0xDC00:02x}"
    return {"\n": "\\n", "\r": "\\r", "\t": "\\t"}.get(sign) or (
        f"\\x{code:02x}" if code < 0x100 else f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"
    )
