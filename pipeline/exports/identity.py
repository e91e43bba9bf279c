"""What makes the content of an export file the same: its bytes, and the tag its path gives."""

from __future__ import annotations

import hashlib

from pipeline.exports.path_tags import tag_of_path
from pipeline.exports.read import FoundFile

__all__ = ["bytes_hash", "content_hash", "with_tag"]


def content_hash(found: FoundFile) -> str:
    """Hash the content of a file.

    Parameters
    ----------
    found : FoundFile
        The file.

    Returns
    -------
    str
        SHA-256 of its bytes, hexadecimal; where the plant file or the path gives its tag,
        followed by ``-`` and a hash of that: two pumps that stood all day leave files of equal
        bytes, and both count.
    """
    with found.file.open("rb") as stream:
        return with_tag(found, hashlib.file_digest(stream, "sha256").hexdigest())


def with_tag(found: FoundFile, sha256: str) -> str:
    """Give the hash of a file's content from that of its bytes."""
    tag = tag_of_path(found.export, found.path)
    if tag is None:
        return sha256
    return f"{sha256}-{hashlib.sha256(tag.encode()).hexdigest()[:16]}"


def bytes_hash(sha256: str) -> str:
    """Give the hash of the bytes alone from that of the content."""
    return sha256.partition("-")[0]
