"""Writes the file that a command was asked for: whole or not at all, over whatever had its name."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from ..errors import UserError


def write_whole(out: Path, body: bytes) -> None:
    """Writes beside the file's place and then gives it its name, so that nobody ever reads half of it.

    Raises UserError where it cannot be written.
    """
    try:
        handle, beside = tempfile.mkstemp(prefix=f".{out.name}.", dir=out.absolute().parent)
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(body)
                file.flush()
                os.fsync(file.fileno())
            # Readable to a web server that hands the file on, as a file made in the plain way would be.
            mask = os.umask(0)
            os.umask(mask)
            Path(beside).chmod(0o666 & ~mask)
            Path(beside).replace(out)
        except BaseException:
            Path(beside).unlink(missing_ok=True)
            raise
    except OSError as error:
        raise UserError(
            f"--out: {out} cannot be written ({error.strerror}); name a file in a folder that exists"
        ) from error
