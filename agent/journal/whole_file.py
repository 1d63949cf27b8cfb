"""Files that appear only when they are whole."""

from __future__ import annotations

import os
from pathlib import Path


def write_whole(path: Path, text: str) -> None:
    """Write *text* to *path*, so that a reader finds the old file or the new one, never a part.

    A device or a pipe is written to as it stands, and a link is followed.

    Raises:
        OSError: it cannot be written; the old file, if any, is as it was.
    """
    if path.exists() and not path.is_file():
        path.write_text(text, encoding="utf-8")
        return
    path = path.resolve()
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        with part.open("w", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
    except BaseException:
        part.unlink(missing_ok=True)
        raise
