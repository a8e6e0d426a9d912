"""Where an archive lies: a folder, or a prefix of an object store (s3://, gs://, az://), told by its address.

A file is written whole or not at all, under a name of its own; only one small file is ever replaced. Credentials and
endpoints come from the environment variables that PyArrow and Polars read (AWS_ACCESS_KEY_ID, AWS_REGION,
AWS_ENDPOINT_URL and AWS_ALLOW_HTTP for a store that is not Amazon's; GOOGLE_APPLICATION_CREDENTIALS;
AZURE_STORAGE_ACCOUNT_NAME and AZURE_STORAGE_ACCOUNT_KEY).
"""

from __future__ import annotations

import io
import os
import shutil
from functools import lru_cache
from pathlib import Path
from typing import Any, Protocol

import polars as pl

from fdm.errors import ArchiveError

SCHEMES = ("s3://", "gs://", "az://")
FORMAT = 2  # of an archive's files; 1 had a folder of results for each run, and one part for each flight


class Storage(Protocol):
    """Files by key: names separated by '/', below one address.

    address   where it is, as the user wrote it
    """

    address: str

    def read(self, key: str) -> bytes:
        """A file's content. FileNotFoundError when there is none."""

    def write(self, key: str, data: bytes) -> None:
        """Put a file in place, whole or not at all. OSError when it cannot be written."""

    def exists(self, key: str) -> bool:
        """Whether there is such a file."""

    def names(self, folder: str) -> list[str]:
        """Names of the files and folders directly in a folder, sorted; none when there is no such folder."""

    def remove(self, key: str) -> None:
        """Remove a file, or a folder with all that is in it; nothing happens when there is none."""

    def place(self, key: str) -> str:
        """A file's path or URL, as Polars and DuckDB read it."""


def is_url(address: object) -> bool:
    """Whether an address is an object store's."""
    return str(address).startswith(SCHEMES)


def storage_of(address: Path | str) -> Storage:
    """The storage at an address. ArchiveError when the object store's address cannot be understood."""
    text = str(address)
    if is_url(text):
        return ObjectStore(text)
    if "://" in text:
        cure = f"An archive is a folder, or begins with {', '.join(SCHEMES[:-1])} or {SCHEMES[-1]}."
        raise ArchiveError("no such kind of address", source=text, cure=cure)
    return Folder(text)


class Folder:
    """A folder of this machine, or one that it has mounted."""

    def __init__(self, path: Path | str):
        self.address = str(path)
        self.path = Path(path)

    def read(self, key: str) -> bytes:
        """A file's content."""
        return (self.path / key).read_bytes()

    def write(self, key: str, data: bytes) -> None:
        """Written aside, brought to the disk, and renamed; its folder is made when it is missing."""
        path = self.path / key
        aside = path.with_name(f".{path.name}.{os.getpid()}.part")
        path.parent.mkdir(parents=True, exist_ok=True)
        try:
            with open(aside, "wb") as file:
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
            os.replace(aside, path)
        except BaseException:
            aside.unlink(missing_ok=True)
            raise
        _sync_folder(path.parent)

    def exists(self, key: str) -> bool:
        """Whether there is such a file."""
        return (self.path / key).is_file()

    def names(self, folder: str) -> list[str]:
        """Names in a folder."""
        try:
            return sorted(os.listdir(self.path / folder))
        except (FileNotFoundError, NotADirectoryError):
            return []

    def remove(self, key: str) -> None:
        """Remove a file or folder."""
        path = self.path / key
        if path.is_dir():
            shutil.rmtree(path, ignore_errors=True)
        else:
            path.unlink(missing_ok=True)

    def place(self, key: str) -> str:
        """A file's path."""
        return str(self.path / key)


def _sync_folder(path: Path) -> None:
    """Bring a folder's list of names to the disk, where the system lets folders be opened."""
    if os.name == "posix":
        folder = os.open(path, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)


class ObjectStore:
    """A prefix of a bucket. An object is put whole or not at all by the store itself."""

    def __init__(self, url: str):
        self.address = url.rstrip("/")
        self._files, self._root = _file_system(self.address)

    def read(self, key: str) -> bytes:
        """An object's content."""
        with self._files.open_input_file(f"{self._root}/{key}") as file:
            return bytes(file.read())

    def write(self, key: str, data: bytes) -> None:
        """Put an object."""
        with self._files.open_output_stream(f"{self._root}/{key}") as file:
            file.write(data)

    def exists(self, key: str) -> bool:
        """Whether there is such an object."""
        from pyarrow.fs import FileType

        return bool(self._files.get_file_info(f"{self._root}/{key}").type == FileType.File)

    def names(self, folder: str) -> list[str]:
        """Names directly below a prefix."""
        return sorted(info.base_name for info in self._list(folder))

    def ages(self, folder: str) -> dict[str, float]:
        """When each object directly below a prefix was put, by the store's own clock; seconds since 1970."""
        return {info.base_name: float(info.mtime_ns or 0) / 1e9 for info in self._list(folder)}

    def _list(self, folder: str) -> list[Any]:
        from pyarrow.fs import FileSelector

        return list(self._files.get_file_info(FileSelector(f"{self._root}/{folder}".rstrip("/"), allow_not_found=True)))

    def remove(self, key: str) -> None:
        """Remove an object, or all below a prefix."""
        from pyarrow.fs import FileType

        path = f"{self._root}/{key}"
        kind = self._files.get_file_info(path).type
        if kind == FileType.Directory:
            self._files.delete_dir(path)
        elif kind == FileType.File:
            self._files.delete_file(path)

    def place(self, key: str) -> str:
        """An object's URL."""
        return f"{self.address}/{key}"


@lru_cache(maxsize=16)
def _file_system(url: str) -> tuple[Any, str]:
    """PyArrow's file system of a URL, and the path in it."""
    from pyarrow import ArrowInvalid, fs

    try:
        if url.startswith("az://"):
            account = os.environ.get("AZURE_STORAGE_ACCOUNT_NAME", "")
            key = os.environ.get("AZURE_STORAGE_ACCOUNT_KEY")
            return fs.AzureFileSystem(account, account_key=key), url.removeprefix("az://")
        files, root = fs.FileSystem.from_uri(url)
    except (ArrowInvalid, OSError, ValueError) as error:
        reason = str(error).splitlines()[0] if str(error) else type(error).__name__
        raise ArchiveError(f"the object store's address cannot be used ({reason})", source=url) from None
    return files, root.rstrip("/")


# Parquet by key ------------------------------------------------------------------------------------------------------


def write_parquet(storage: Storage, key: str, frame: pl.DataFrame, **options: Any) -> bytes:
    """Put a frame in place as Parquet, and return what was written; each file says the archive's format."""
    data = parquet_bytes(frame, **options)
    storage.write(key, data)
    return data


def parquet_bytes(frame: pl.DataFrame, **options: Any) -> bytes:
    """A frame as the content of a Parquet file."""
    buffer = io.BytesIO()
    frame.write_parquet(buffer, compression="zstd", metadata={"rollout_watch_format": str(FORMAT)}, **options)
    return buffer.getvalue()


def read_parquet(storage: Storage, key: str, columns: list[str] | None = None) -> pl.DataFrame:
    """A Parquet file. ArchiveError when it is missing or damaged."""
    try:
        source = storage.place(key) if isinstance(storage, Folder) else io.BytesIO(storage.read(key))
        return pl.read_parquet(source, columns=columns, hive_partitioning=False, glob=False)
    except (pl.exceptions.ComputeError, pl.exceptions.PanicException, OSError) as error:
        raise damaged(storage, key, error) from None


def damaged(storage: Storage, key: str, error: BaseException) -> ArchiveError:
    """What to say of a file that should be there and whole."""
    reason = str(error).splitlines()[0] if str(error) else type(error).__name__
    if isinstance(error, FileNotFoundError):
        reason = "there is no such file"
    cure = "Restore it from a backup, or load the recordings into a new archive."
    folder, slash, _ = key.rpartition("/")
    if key.startswith("results-") and not slash:
        cure = "Run: fdm detect --archive DIR."
    elif slash and not folder.startswith("parts/"):  # what detect made
        cure = f"Remove {storage.place(folder)} and run: fdm detect --archive DIR."
    return ArchiveError(f"cannot be read ({reason})", source=storage.place(key), cure=cure)
