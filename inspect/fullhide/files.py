"""Write files whole or not at all."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from fullhide.errors import OutputError

__all__ = ["ready_folder", "why", "write_bytes"]


def why(error: OSError) -> str:
    """Return the operating system's reason in plain lower-case words."""
    return (error.strerror or type(error).__name__).lower()


def ready_folder(folder: Path) -> Path:
    """Make `folder` if need be and return it.

    Raises
    ------
    OutputError
        If something else stands there, or the folder cannot be made or written to.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except FileExistsError:
        raise OutputError(folder, "is a file, not a folder", "name another folder") from None
    except OSError as error:
        raise OutputError(
            folder, f"cannot be made ({why(error)})", "name a folder you may write to"
        ) from None
    if not os.access(folder, os.W_OK | os.X_OK):
        raise OutputError(folder, "cannot be written to", "name a folder you may write to")
    return folder


def write_bytes(path: Path, data: bytes) -> None:
    """Write `data` to `path`: a reader sees the old file or the new one, never a part.

    Raises
    ------
    OutputError
        If the file cannot be written; nothing is left behind then.
    """
    temporary: Path | None = None
    try:
        handle, name = tempfile.mkstemp(prefix=".fullhide-", dir=path.parent)
        temporary = Path(name)
        with os.fdopen(handle, "wb") as file:
            file.write(data)
        # mkstemp makes private files; give what the person's own umask would give.
        umask = os.umask(0)
        os.umask(umask)
        temporary.chmod(0o666 & ~umask)
        temporary.replace(path)
    except OSError as error:
        raise OutputError(
            path, f"cannot be written ({why(error)})", "free some space or name another place"
        ) from None
    finally:
        # After a successful replace nothing is there any more.
        if temporary is not None:
            temporary.unlink(missing_ok=True)
