"""Writing a workbook so that a wrong path, a full disk or a killed run never costs an earlier file.

check_target says before the work starts whether a path may be written; replacing gives a temporary file
beside the target, under a lock, and puts it in the target's place in one step when all of it is on the disk.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import re
import secrets
import shutil
import stat
import sys
import time
import zipfile
import zlib
from collections.abc import Collection, Iterable, Iterator
from pathlib import Path
from typing import IO, BinaryIO
from xml.etree import ElementTree

from grader.problems import GraderError

KIND_PROPERTY = "grader-kind"
LOCK_WAIT_S = 10.0  # a second run on the same target waits this long
REPLACE_WAIT_S = 2.0  # how long another program may hold the old file
_ELSEWHERE = "Choose another place with -o."
_PAUSE_S = 0.1
_LARGEST_PROPERTIES_BYTES = 1_000_000
# No zip, a broken or locked one, no such part: all mean "another file".
_NOT_OURS = (
    zipfile.BadZipFile,
    zlib.error,
    KeyError,
    ElementTree.ParseError,
    NotImplementedError,
    RuntimeError,
    EOFError,
)
_NO_LOCKS = {errno.ENOLCK, errno.ENOSYS, errno.EOPNOTSUPP, errno.EINVAL}


def properties_of(path: Path) -> dict[str, str]:
    """The custom document properties of a workbook; none for any other file. Raises OSError where it cannot be read."""
    try:
        with zipfile.ZipFile(path) as archive:
            part = archive.getinfo("docProps/custom.xml")
            if part.file_size > _LARGEST_PROPERTIES_BYTES:
                return {}
            with archive.open(part) as stream:
                root = ElementTree.fromstring(stream.read(_LARGEST_PROPERTIES_BYTES))
    except _NOT_OURS:
        return {}
    return {str(entry.get("name")): "".join(entry.itertext()) for entry in root}


def kind_of(path: Path) -> str | None:
    """What kind of this program's own product a workbook is, from its `grader-kind` document property.

    path    : file to look at; it need not be a workbook.
    Returns : for example "result"; None for any other file.
    Raises  : OSError where the file cannot be read.
    """
    return properties_of(path).get(KIND_PROPERTY)


def made_folder(folder: str | os.PathLike[str], what: str) -> Path:
    """The folder, made if it is not there. what : goes into it. Raises GraderError, one line, where it cannot be made."""
    place = Path(folder)
    try:
        place.mkdir(parents=True, exist_ok=True)
    except FileExistsError as error:
        raise GraderError(f"{place}: is a file; {what} need a folder. Name another one.") from error
    except OSError as error:
        raise GraderError(f"{place}: cannot be made ({error.strerror}). Choose another folder.") from error
    return place


def check_target(
    path: str | os.PathLike[str],
    inputs: Iterable[Path] = (),
    *,
    kinds: Collection[str] = ("result",),
    suffix: str = ".xlsx",
) -> Path:
    """The resolved output path, if it may be written.

    inputs  : files that are read; none of them may be the target, under whatever name.
    kinds   : `grader-kind` values of an existing file that may be replaced.
    Returns : absolute path with links followed.
    Raises  : GraderError, one line saying what to do: wrong suffix, a folder, an input, a file that is no
              result of this program, no such folder, a folder or file that may not be written.
    """
    given = Path(path)
    try:
        target = given.resolve()
        if target.suffix.lower() != suffix:
            raise GraderError(f"{given}: the output must be named *{suffix}. Choose another name with -o.")
        _check_existing(given, target, inputs, kinds)
        _check_folder(given, target)
    except (OSError, RuntimeError) as error:  # RuntimeError: links in a circle (Python 3.11, 3.12)
        raise GraderError(f"{given}: cannot be written ({_why(error)}). {_ELSEWHERE}") from error
    return target


def _check_existing(given: Path, target: Path, inputs: Iterable[Path], kinds: Collection[str]) -> None:
    try:
        old = target.stat()
    except (FileNotFoundError, NotADirectoryError):
        return  # nothing there yet; the folder is checked next
    if stat.S_ISDIR(old.st_mode):
        raise GraderError(f"{given}: is a folder. Name a file in it with -o.")
    if not stat.S_ISREG(old.st_mode):
        raise GraderError(f"{given}: is no ordinary file. Choose another name with -o.")
    for source in inputs:
        try:
            same = os.path.samestat(old, os.stat(source))
        except FileNotFoundError:
            continue  # an input that is gone cannot be overwritten
        if same:
            raise GraderError(f"{given}: is one of the files to be graded. Choose another name with -o.")
    if kind_of(target) not in kinds:
        raise GraderError(
            f"{given}: exists and is no result of this program. Choose another name with -o, or move that file away."
        )
    if not os.access(target, os.W_OK):
        raise GraderError(f"{given}: is write-protected. Choose another name with -o.")


def _check_folder(given: Path, target: Path) -> None:
    if not target.parent.is_dir():
        raise GraderError(f"{given}: there is no folder {target.parent}. Make it first. {_ELSEWHERE}")
    probe = target.with_name(f".{_short(target)}.{secrets.token_hex(4)}.part")
    try:
        os.close(os.open(probe, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
    except OSError as error:
        raise GraderError(f"{given}: its folder is not writable ({_why(error)}). {_ELSEWHERE}") from error
    os.unlink(probe)


@contextlib.contextmanager
def replacing(path: Path, *, lock_wait_s: float = LOCK_WAIT_S) -> Iterator[Path]:
    """A temporary file beside `path` that takes its place when the block ends well.

    path   : resolved target, from check_target.
    Yields : path of an empty file `.NAME.<random>.part` in the same folder; write the whole product there.
             `scratch_folder` of it may hold further temporary files.
    Raises : GraderError, one line, where another run is writing the same target, another program holds the
             old file, or the system refuses (disk full): the earlier file is then whole and the temporary one
             gone. Any other exception, KeyboardInterrupt too, passes through with the same promise.
    """
    with _lock(path, lock_wait_s) as alone:
        if alone:
            _remove_leftovers(path)
        part = path.with_name(f".{_short(path)}.{secrets.token_hex(4)}.part")
        try:
            old_mode = _mode_of(path)
            # Never readable by more people than the old file was, not even while it is being written.
            mode = 0o666 if old_mode is None else 0o600
            os.close(os.open(part, os.O_CREAT | os.O_EXCL | os.O_WRONLY, mode))
            yield part
            if old_mode is not None:
                os.chmod(part, old_mode)
            _flush_to_disk(part)
            _replace(part, path)
        except OSError as error:
            raise GraderError(f"{path}: not written ({_why(error)}). Nothing was changed.") from error
        finally:
            _remove(part)
            _remove(scratch_folder(part))
        _flush_folder(path.parent)


def scratch_folder(part: Path) -> Path:
    """The folder for temporary files that belong to a `.part` file; removed with it. Make it where needed."""
    return part.with_name(part.name.removesuffix(".part") + ".tmp.part")


class Sink:
    """The file being written, until it is let go of; then it swallows what comes.

    After a failure (disk full) the library's zip writes its end whenever it is collected, into a file that is
    closed by then, and Python would print that as noise behind our one line.
    """

    def __init__(self, stream: BinaryIO) -> None:
        self._stream: BinaryIO | None = stream

    def let_go(self) -> None:
        """Nothing that is written from now on goes anywhere."""
        self._stream = None

    def write(self, data: bytes) -> int:
        """As of a file."""
        return len(data) if self._stream is None else self._stream.write(data)

    def seek(self, place: int, whence: int = 0) -> int:
        """As of a file."""
        return 0 if self._stream is None else self._stream.seek(place, whence)

    def tell(self) -> int:
        """As of a file."""
        return 0 if self._stream is None else self._stream.tell()

    def flush(self) -> None:
        """As of a file."""
        if self._stream is not None:
            self._stream.flush()


def _short(path: Path) -> str:
    """The target's name, or a digest of it where that with random part and suffix would be too long."""
    name = path.name
    return name if len(os.fsencode(name)) <= 200 else hashlib.sha256(os.fsencode(name)).hexdigest()[:32]


def _mode_of(path: Path) -> int | None:
    try:
        return stat.S_IMODE(path.stat().st_mode)
    except FileNotFoundError:
        return None


def _remove_leftovers(path: Path) -> None:
    """Temporary files of runs on this target that were killed; only called under the lock."""
    ours = re.compile(re.escape(f".{_short(path)}.") + r"[0-9a-f]{8}(\.tmp)?\.part")
    with os.scandir(path.parent) as entries:
        found = [entry.name for entry in entries if ours.fullmatch(entry.name)]
    for name in found:
        _remove(path.with_name(name))


def _remove(path: Path) -> None:
    """Remove a temporary file or folder, if it is there and the system lets us; a later run tries again."""
    if path.is_dir() and not path.is_symlink():
        shutil.rmtree(path, ignore_errors=True)
    else:
        with contextlib.suppress(OSError):
            path.unlink(missing_ok=True)


def _flush_to_disk(part: Path) -> None:
    with open(part, "rb+") as stream:
        os.fsync(stream.fileno())


def _flush_folder(folder: Path) -> None:
    """Make the new name itself last through a power cut, where the system can (not on Windows)."""
    if os.name == "nt":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        with contextlib.suppress(OSError):  # some network folders cannot; the file itself is flushed
            os.fsync(descriptor)
    finally:
        os.close(descriptor)


def _replace(part: Path, path: Path) -> None:
    give_up = time.monotonic() + REPLACE_WAIT_S
    while True:
        try:
            os.replace(part, path)
            return
        except PermissionError as error:
            if time.monotonic() >= give_up:
                raise GraderError(
                    f"{path}: is open in another program or write-protected. Close it there "
                    "and run again; nothing was changed."
                ) from error
            time.sleep(_PAUSE_S)


@contextlib.contextmanager
def _lock(path: Path, wait_s: float) -> Iterator[bool]:
    """Hold the target's lock; the system lets go of it when the process ends, however it ends.

    Yields : True, or False where the folder's file system has no locks (names are random, so runs still do
             not mix, but nothing may be tidied up).
    Raises : GraderError where another run holds it for longer than `wait_s`, or no lock file can be made.
    """
    lock_path = path.with_name(f".{_short(path)}.lock")
    give_up = time.monotonic() + wait_s
    while True:
        try:
            stream = open(lock_path, "a+b")  # closed below, after the block has run
        except OSError as error:
            raise GraderError(f"{path}: cannot be written ({_why(error)}). {_ELSEWHERE}") from error
        taken = False
        try:
            taken = _try_lock(stream)
            if taken and _still_there(stream, lock_path):
                break
        except OSError as error:
            if error.errno in _NO_LOCKS:
                break
            stream.close()
            raise GraderError(f"{path}: cannot be locked ({_why(error)}). {_ELSEWHERE}") from error
        except BaseException:
            stream.close()
            raise
        stream.close()
        if not taken and time.monotonic() >= give_up:
            raise GraderError(
                f"{path}: another run is writing this file. Wait for it to end, or choose another name with -o."
            )
        if not taken:
            time.sleep(_PAUSE_S)
    try:
        yield taken
    finally:
        # Removed while still held: whoever gets a lock on the removed file sees it is gone and tries anew.
        # Windows does not remove an open file; an empty lock file then stays, which does no harm.
        with contextlib.suppress(OSError):
            lock_path.unlink()
        stream.close()


def _try_lock(stream: IO[bytes]) -> bool:
    """Whether the lock was free and is now ours."""
    try:
        if sys.platform == "win32":
            import msvcrt

            stream.seek(0)
            msvcrt.locking(stream.fileno(), msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(stream.fileno(), fcntl.LOCK_EX | fcntl.LOCK_NB)
    except (BlockingIOError, PermissionError):  # how the two systems say "held by another"
        return False
    return True


def _still_there(stream: IO[bytes], lock_path: Path) -> bool:
    try:
        return os.path.samestat(os.fstat(stream.fileno()), os.stat(lock_path))
    except FileNotFoundError:
        return False


def _why(error: BaseException) -> str:
    """The system's own reason in one line."""
    reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
    return " ".join(reason.split()) or type(error).__name__
