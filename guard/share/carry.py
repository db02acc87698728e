"""Copies a set to a medium as a BagIt bag, forces it there, and reads it back from the medium itself.

While it is written the bag has another name and no declaration, so that no half of it passes
for one. A file gets its own name only when all of it is on the medium; what has its name is
compared when the copy is taken up again, and never written over.
"""

from __future__ import annotations

import errno
import os
import shutil
import stat
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from guard.files import force_names
from guard.model import FileFacts
from guard.share import bag
from guard.share.cargo import Bag, Cargo, SourceDiffers, Told, difference, only_read
from guard.share.checksums import PAYLOAD
from guard.share.fingerprint import fingerprint
from guard.share.layout import stem
from guard.share.listing import Listing, SetChanged, SetUnreadable, list_folder
from guard.share.medium import Medium, folders_of, medium_of, probed, room_for, unfit
from guard.share.refusals import BagDiffers, DestRefused, MediumFailed, NamesRefused
from guard.share.source import Reading, Wanted, read_folder
from guard.share.writing import PART_NAME, Writer, new_part, settle, write_all
from guard.units import bytes_in_words

PARTLY = ".incomplete"
"""What the name of a bag ends in until it is whole."""

PROBE_NAME = "guard-probe"
"""In a bag that is being written: the folder in which names are tried."""

SHEET_BYTES = 256 << 10
"""Room that is left for the restore sheet beside the bag."""

INFO_BYTES = 64 << 10
"""No bag-info.txt of ours is longer."""


def carry(dest: str, cargo: Cargo, told: Told) -> Bag:
    """Bring a set to a folder on a medium, whole and read back; what stands there already is left as it is.

    Raises DestRefused, NamesRefused and BagDiffers before it writes, SourceDiffers and
    SetUnreadable where the set fails, and MediumFailed where the medium does.
    """
    medium = _looked_at(dest)
    whole = os.path.join(dest, cargo.name)
    if os.path.lexists(whole):
        return _there_already(whole, medium, cargo, told)
    return _Carrier(dest, whole, medium, cargo, told).carried()


def _looked_at(dest: str) -> Medium:
    try:
        if not stat.S_ISDIR(os.stat(dest).st_mode):
            raise DestRefused(dest, "it is no folder", "Name a folder on the medium.")
        return medium_of(dest)
    except FileNotFoundError:
        raise DestRefused(
            dest, "it is not there", "Is the medium in and mounted? Name a folder that is there."
        ) from None
    except OSError as error:
        raise DestRefused(dest, f"it cannot be looked at ({error.strerror})", "Look after the medium.") from error


def _there_already(whole: str, medium: Medium, cargo: Cargo, told: Told) -> Bag:
    """The bag that stands there, once it has proved to be just this set. Raises BagDiffers."""
    info = _info_of(whole, cargo)
    try:
        what = difference(whole, cargo._replace(info=info), told)
    except SetUnreadable as error:
        raise BagDiffers(whole, str(error)) from error
    if what is not None:
        raise BagDiffers(whole, what)
    return Bag(whole, medium, was_there=True, resumed=False)


def _info_of(folder: str, cargo: Cargo) -> bytes:
    """The bag-info.txt of a bag that was begun or made earlier. Raises BagDiffers where it is not this set's."""
    try:
        if not stat.S_ISDIR(os.lstat(folder).st_mode):
            raise BagDiffers(folder, "it is no folder")
        with open(os.path.join(folder, bag.INFO_NAME), "rb") as file:
            info = file.read(INFO_BYTES)
    except OSError as error:
        raise BagDiffers(folder, f"its {bag.INFO_NAME} cannot be read ({error.strerror})") from error
    if not bag.names_fingerprint(info, cargo.fingerprint):
        raise BagDiffers(folder, f"its {bag.INFO_NAME} does not name this set")
    return info


class _Carrier:
    """Writes one bag."""

    def __init__(self, dest: str, whole: str, medium: Medium, cargo: Cargo, told: Told) -> None:
        self.dest, self.whole, self.medium, self.cargo, self.told = dest, whole, medium, cargo, told
        self.partly = whole + PARTLY
        self.wanted = {file.path: file for file in cargo.files}
        self.done: set[str] = set()
        self.by_content: dict[bytes, str] = {}

    def carried(self) -> Bag:
        """Write it, prove it, and give it its name."""
        self._refuse_unfit()
        resumed = os.path.lexists(self.partly)
        if resumed:
            self.cargo = self.cargo._replace(info=self._begun())
        else:
            with self._failing():
                os.mkdir(self.partly)
        with self._alone():
            self._clear_leftovers()
            self._refuse_probed(resumed=resumed)
            self._put(bag.INFO_NAME, self.cargo.info)
            self._copy_files()
            for name, content in bag.tag_files(self.cargo.files, self.cargo.info).items():
                self._put(name, content)
            self._force_folders()
            self._prove()
            self._rename()
        return Bag(self.whole, self.medium, was_there=False, resumed=resumed)

    # Before anything is copied

    def _refuse_unfit(self) -> None:
        found = unfit(self.cargo.files, self.medium.type)
        if found:
            raise NamesRefused(self.dest, self.medium.type, found)
        there = self._there()
        missing = [file.size for file in self.cargo.files if file.path not in there]
        folders = [self.medium.cluster_bytes] * (len(folders_of(self.wanted)) + 2)
        tags = [len(content) for content in bag.tag_files(self.cargo.files, self.cargo.info).values()]
        needed = room_for([*missing, *folders, *tags, SHEET_BYTES], self.medium.cluster_bytes)
        free, names = self.medium.free_bytes, self.medium.free_files
        if free is not None and free < needed:
            why = f"it has {bytes_in_words(free)} free and {bytes_in_words(needed)} are needed"
            raise DestRefused(self.dest, why, "Make room on it, or take a larger medium.")
        if names is not None and names < len(missing) + len(folders) + len(tags):
            raise DestRefused(self.dest, f"it can hold only {names} more files", "Take another medium.")

    def _there(self) -> set[str]:
        """The files that an earlier copy brought to the medium."""
        try:
            listed = list_folder(self.partly).files
        except (SetChanged, SetUnreadable):
            return set()
        return {path.removeprefix(PAYLOAD) for path, _, _ in listed if path.startswith(PAYLOAD)}

    def _begun(self) -> bytes:
        """The bag-info.txt of the copy that was begun; ours where nothing was written yet."""
        try:
            if set(os.listdir(self.partly)) <= {PART_NAME, PROBE_NAME}:
                return self.cargo.info
        except OSError as error:
            raise BagDiffers(self.partly, f"it cannot be listed ({error.strerror})") from error
        return _info_of(self.partly, self.cargo)

    def _clear_leftovers(self) -> None:
        with self._failing():
            if os.path.lexists(self._at(PART_NAME)):
                os.unlink(self._at(PART_NAME))
            if os.path.lexists(self._at(PROBE_NAME)):
                shutil.rmtree(self._at(PROBE_NAME))

    def _refuse_probed(self, *, resumed: bool) -> None:
        with self._failing():
            os.mkdir(self._at(PROBE_NAME))
            try:
                found = probed(self._at(PROBE_NAME), {file.path: file.size for file in self.cargo.files})
            finally:
                shutil.rmtree(self._at(PROBE_NAME), ignore_errors=True)
            if found and not resumed:
                os.rmdir(self.partly)
        if found:
            raise NamesRefused(self.dest, self.medium.type, found)

    # Copying

    def _copy_files(self) -> None:
        there = self._there()
        for file in self.cargo.files:
            if file.path in there:
                self._compare(file)
        missing = {file.path: file for file in self.cargo.files if file.path not in there}
        if missing:
            self.told.reading(self.cargo.where)
            (self._copy_members if self.cargo.form == "archive" else self._copy_folder)(missing)
        lacking = [path for path in self.wanted if path not in self.done]
        if lacking:
            raise SourceDiffers(f"{lacking[0]} is missing")

    def _compare(self, file: FileFacts) -> None:
        """Take for copied only what the medium itself gives back right."""
        path = PAYLOAD + file.path
        try:
            reading = read_folder(self.partly, _only(path, file), only_read(self.told.read), from_disk=True)
        except SetChanged:
            raise BagDiffers(self.partly, f"{path} has another size than was written") from None
        except SetUnreadable as error:
            raise self._failed(str(error)) from error
        if reading.files[0].sha256 != file.sha256:
            raise BagDiffers(self.partly, f"{path} is not what was written")
        self._note(file)

    def _copy_folder(self, missing: dict[str, FileFacts]) -> None:
        # Listed as they were read: a file of another size is none that was.
        listing = Listing(tuple((path, f.size, f.mtime_ns or 0) for path, f in missing.items()), (), (), 0)
        try:
            self._read(lambda wanted: read_folder(self.cargo.where, listing, wanted), lambda path: path)
        except SetChanged as error:
            raise SourceDiffers(f"{error} is missing or has another size") from error

    def _copy_members(self, missing: dict[str, FileFacts]) -> None:
        """Read the archive whole before a byte of it is copied; only then the names of its members are settled."""
        from guard.share.archive import read_archive

        name = stem(os.path.basename(self.cargo.where)) or ""

        def read(wanted: Wanted) -> Reading:
            return read_archive(self.cargo.where, name, self.cargo.zone, self.cargo.archives, wanted)

        first = read(only_read(lambda _: None))
        if first.broken is not None:
            raise SourceDiffers(f"the archive cannot be read: {first.broken}")
        if fingerprint(first.files) != self.cargo.fingerprint:
            raise SourceDiffers("what the archive holds is not what was read")

        def path_of(member: str) -> str | None:
            path = member.removeprefix(first.taken_off)
            return path if path in missing else None

        self._read(read, path_of)
        for file in missing.values():
            if file.path not in self.done:
                self._repeat(file)

    def _repeat(self, file: FileFacts) -> None:
        """Copy a member that only repeats another one, from what was copied of that."""
        original = self.by_content.get(file.sha256)
        if original is None:
            return
        listing = _only(PAYLOAD + original, file)
        try:
            self._read(lambda wanted: read_folder(self.partly, listing, wanted), lambda _: file.path)
        except (SetChanged, SetUnreadable) as error:
            raise self._failed(f"{original} cannot be read again ({error})") from error

    def _read(self, read: Callable[[Wanted], Reading], paths: Callable[[str], str | None]) -> None:
        """Read the source and write what it feeds, file by file."""
        writer = Writer(self.partly, paths, self.wanted, self._failed_by, self._copied)
        try:
            reading = read(only_read(writer.ended, writer.begun))
        finally:
            writer.close()
        if writer.failure is not None:
            raise writer.failure
        if reading.broken is not None:
            raise SourceDiffers(f"the archive cannot be read: {reading.broken}")

    def _copied(self, file: FileFacts) -> None:
        self._note(file)
        self.told.read(file.size)

    def _note(self, file: FileFacts) -> None:
        self.done.add(file.path)
        self.by_content[file.sha256] = file.path

    # Finishing

    def _put(self, name: str, content: bytes) -> None:
        """Write a tag file, or see that it stands there as it should."""
        with self._failing():
            if os.path.lexists(self._at(name)):
                with open(self._at(name), "rb") as file:
                    if file.read(len(content) + 1) != content:
                        raise BagDiffers(self.partly, f"{name} is not what was written")
                return
            handle = new_part(self.partly)
            try:
                write_all(handle, memoryview(content))
            except BaseException:
                os.close(handle)
                raise
            settle(self.partly, name, handle, None)

    def _force_folders(self) -> None:
        with self._failing():
            folders = folders_of(PAYLOAD + path for path in self.wanted)
            for folder in sorted(folders, key=len, reverse=True):
                force_names(self._at(folder))
            force_names(self.partly)

    def _prove(self) -> None:
        try:
            what = difference(self.partly, self.cargo, self.told)
        except SetUnreadable as error:
            raise self._failed(str(error)) from error
        if what is not None:
            raise BagDiffers(self.partly, what)

    def _rename(self) -> None:
        with self._failing():
            if os.stat(self.dest).st_dev != self.medium.device:
                raise self._failed("another medium is in its place")
            if os.path.lexists(self.whole):
                raise BagDiffers(self.whole, "it appeared while the copy was made")
            os.rename(self.partly, self.whole)
            force_names(self.dest)
            missing = self._missing()
            if missing is not None:
                raise BagDiffers(self.whole, f"{missing} is missing since the bag got its name")

    def _missing(self) -> str | None:
        """The first name that a file system lost when the bag got its own; some drivers do."""
        try:
            there = {path: size for path, size, _ in list_folder(self.whole).files}
        except (SetChanged, SetUnreadable) as error:
            raise self._failed(str(error)) from error
        wanted = {PAYLOAD + path: file.size for path, file in self.wanted.items()}
        wanted |= {name: len(text) for name, text in bag.tag_files(self.cargo.files, self.cargo.info).items()}
        return next((path for path, size in wanted.items() if there.get(path) != size), None)

    # What may go wrong

    def _at(self, path: str) -> str:
        return os.path.join(self.partly, *path.split("/"))

    def _failed(self, reason: str) -> MediumFailed:
        return MediumFailed(self.dest, reason, self.partly, len(self.done), len(self.wanted))

    def _failed_by(self, error: OSError) -> MediumFailed:
        return self._failed(_in_words(error))

    @contextmanager
    def _failing(self) -> Iterator[None]:
        try:
            yield
        except OSError as error:
            raise self._failed_by(error) from error

    @contextmanager
    def _alone(self) -> Iterator[None]:
        """Be the only one who writes this bag, where the file system knows locks; the lock ends with the process."""
        if sys.platform == "win32":
            yield
            return
        with self._failing():
            handle = os.open(self.partly, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW)
        try:
            if not _locked(handle):
                raise DestRefused(self.dest, "another guard carry is writing there", "Let it end.")
            yield
        finally:
            os.close(handle)


def _locked(handle: int) -> bool:
    """Whether nobody else holds the lock; a file system without locks keeps nobody out."""
    import fcntl

    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    except OSError:
        return True
    return True


def _only(path: str, file: FileFacts) -> Listing:
    return Listing(((path, file.size, 0),), (), (), 0)


GONE = (errno.EIO, errno.ENODEV, errno.ENXIO, errno.ENOENT, errno.ESTALE, errno.ENOTCONN, errno.ESHUTDOWN)
"""How a medium that fails or is pulled out shows."""

_WORDS = {
    errno.ENOSPC: "the medium is full",
    errno.EDQUOT: "no more may be written there (quota)",
    errno.EROFS: "the medium cannot be written to (it is read-only)",
    errno.EACCES: "this user may not write to it",
    errno.EPERM: "this user may not write to it",
}


def _in_words(error: OSError) -> str:
    if error.errno in GONE:
        return f"the medium failed or was pulled out ({error.strerror})"
    return _WORDS.get(error.errno or 0, error.strerror or str(error))
