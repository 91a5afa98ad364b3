"""Where a fleet lies: a folder, or ``s3://`` in an object store. The door to both.

The rules of this file: a file appears whole or not at all. A store must refuse to write over what
is there when told so (a conditional write): two runs are kept apart by nothing else, so a store
that does not is refused, and so are settings that would do without.
"""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from functools import lru_cache
from hashlib import sha256
from importlib.util import find_spec
from pathlib import Path, PurePosixPath
from typing import Any, NamedTuple
from urllib.parse import urlsplit
from uuid import uuid4

from busplan.errors import UsageError

REMOTE = "s3://"
_TRUE = ("1", "true", "yes", "on", "t", "y")
_MAKING = ".part"
_SIGN = "fleet.json"
"""Stands in the folder of every fleet: where it is missing, the disk is not there."""
_CLIENTS = {"botocore", "aiobotocore", "aiohttp"}
"""Libraries whose errors mean that the store does not answer."""


class Entry(NamedTuple):
    """One file: its path in the place, bytes, time of its last change [ns since 1970]."""

    path: str
    size: int
    changed_ns: int


def is_remote(uri: str | os.PathLike[str]) -> bool:
    """Whether it names an object store."""
    return str(uri).startswith(REMOTE)


class Place:
    """A folder or a prefix of a bucket. Paths in it are relative, with ``/`` between parts."""

    def __init__(self, url: str | os.PathLike[str]) -> None:
        self.remote = is_remote(url)
        text = str(url)
        if "://" in text and not self.remote:
            raise UsageError(f"{text}: a fleet lies in a folder or under {REMOTE}BUCKET/NAME")
        self.url = text.rstrip("/") if self.remote else str(Path(text).absolute())

    def __repr__(self) -> str:
        return f"<Place {self.url!r}>"

    def __reduce__(self) -> tuple[type[Place], tuple[str]]:
        return type(self), (self.url,)

    def uri(self, path: str) -> str:
        """The full name of something in it."""
        return f"{self.url}/{path}" if self.remote else str(Path(self.url, path))

    @property
    def options(self) -> dict[str, str] | None:
        """What deltalake is told of the store; ``None`` for a folder."""
        return store_options() if self.remote else None

    def exists(self, path: str) -> bool:
        """Whether a file is there."""
        return self.entry(path) is not None

    def entry(self, path: str) -> Entry | None:
        """Size and time of a file; ``None`` when it is not there."""
        found = facts(self.uri(path))
        return None if found is None else Entry(path, *found)

    def read(self, path: str) -> bytes | None:
        """The bytes of a small file; ``None`` when it is not there."""
        try:
            if self.remote:
                return bytes(files_of_store().cat_file(self.uri(path)))
            return Path(self.uri(path)).read_bytes()
        except (FileNotFoundError, NotADirectoryError):
            return None

    def write(self, path: str, data: bytes) -> None:
        """A whole file, in place of the one that is there."""
        if self.remote:
            files_of_store().pipe_file(self.uri(path), data)
            return
        with self.making(path) as part:
            part.write_bytes(data)

    def write_new(self, path: str, data: bytes) -> bool:
        """A whole file unless one of that name is there; whether it was written."""
        if self.remote:
            try:
                files_of_store().pipe_file(self.uri(path), data, mode="create")
            except FileExistsError:
                return False
            return True
        target = self._target(path)
        part = target.with_name(f".{target.name}.{uuid4().hex}{_MAKING}")
        try:
            part.write_bytes(data)
            os.link(part, target)
        except FileExistsError:
            return False
        finally:
            part.unlink(missing_ok=True)
        return True

    @contextmanager
    def making(self, path: str) -> Iterator[Path]:
        """A local file to write, which takes its name here when all is written."""
        if self.remote:
            with tempfile.TemporaryDirectory(prefix="busplan-") as folder:
                part = Path(folder, PurePosixPath(path).name)
                yield part
                files_of_store().put_file(str(part), self.uri(path))
            return
        target = self._target(path)
        part = target.with_name(f".{target.name}.{uuid4().hex}{_MAKING}")
        try:
            yield part
            part.replace(target)
        finally:
            part.unlink(missing_ok=True)

    def _target(self, path: str) -> Path:
        """Where a file is to be written. A folder that has gone is not made anew, but an error."""
        if not Path(self.url, _SIGN).exists():
            raise FileNotFoundError(2, "the fleet is not there any more", self.url)
        target = Path(self.uri(path))
        target.parent.mkdir(parents=True, exist_ok=True)
        return target

    def remove(self, path: str) -> None:
        """Remove a file, if it is there."""
        with suppress(FileNotFoundError):
            if self.remote:
                files_of_store().rm_file(self.uri(path))
            else:
                Path(self.uri(path)).unlink()

    def files(self, path: str) -> Iterator[Entry]:
        """Every file below a path."""
        if self.remote:
            store = files_of_store()
            base = self.uri(path)
            lead = len(base.removeprefix(REMOTE)) + 1
            with suppress(FileNotFoundError):
                for name, told in store.find(base, detail=True).items():
                    yield Entry(f"{path}/{name[lead:]}", int(told["size"]), _changed(told))
            return
        base_path = Path(self.uri(path))
        for found in sorted(base_path.rglob("*")):
            with suppress(OSError):
                state = found.stat()
                if found.is_file():
                    name = found.relative_to(base_path).as_posix()
                    yield Entry(f"{path}/{name}", state.st_size, state.st_mtime_ns)

    def local(self, path: str) -> Path:
        """A file of it on this machine: itself, or a kept copy of one that never changes."""
        if not self.remote:
            return Path(self.uri(path))
        from busplan.capture.store import cache_root

        folder = cache_root() / "fleet" / sha256(self.url.encode()).hexdigest()[:16]
        if ".." in PurePosixPath(path).parts:
            raise OSError(22, "leads out of the fleet", path)
        target = folder.joinpath(*PurePosixPath(path).parts)
        if not target.exists():
            target.parent.mkdir(parents=True, exist_ok=True)
            part = target.with_name(f"{target.name}.{uuid4().hex}{_MAKING}")
            try:
                files_of_store().get_file(self.uri(path), str(part))
                part.replace(target)
            finally:
                part.unlink(missing_ok=True)
        return target

    def prepare(self) -> None:
        """Make it ready to be written; :class:`UsageError` where that cannot be done safely."""
        if not self.remote:
            try:
                Path(self.url).mkdir(parents=True, exist_ok=True)
                sign = Path(self.url, _SIGN)
                if not sign.exists():
                    sign.write_text('{"busplan": "fleet", "version": 1}\n')
            except OSError as error:
                raise UsageError(f"{self.url}: cannot be made: {error.strerror}") from error
            return
        store_options()
        probe = f"leases/probe-{uuid4().hex}"
        try:
            first, second = self.write_new(probe, b"1"), self.write_new(probe, b"2")
        except (OSError, ValueError) as error:
            raise UsageError(f"{self.url}: the store cannot be used: {error}") from error
        finally:
            with suppress(OSError):
                self.remove(probe)
        if not first or second:
            raise UsageError(
                f"{self.url}: this store writes over what is there although told not to (it knows "
                "no conditional writes), so nothing would keep two runs from losing each other's "
                "work; use a store that has them, or a folder"
            )


def facts(uri: str) -> tuple[int, int] | None:
    """Bytes and time of last change [ns] of a file or object; ``None`` when it is not there."""
    if is_remote(uri):
        try:
            told = files_of_store().info(uri)
        except FileNotFoundError:
            return None
        return None if told["type"] != "file" else (int(told["size"]), _changed(told))
    try:
        state = Path(uri).stat()
    except (FileNotFoundError, NotADirectoryError):
        return None
    return state.st_size, state.st_mtime_ns


@contextmanager
def on_this_machine(uri: str) -> Iterator[Path]:
    """A file as a local path; an object is fetched, and its copy removed afterwards."""
    if not is_remote(uri):
        yield Path(uri)
        return
    folder = tempfile.mkdtemp(prefix="busplan-")
    try:
        target = Path(folder, PurePosixPath(urlsplit(uri).path).name)
        files_of_store().get_file(uri, str(target))
        yield target
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _changed(told: dict[str, Any]) -> int:
    when = told.get("LastModified")
    return 0 if when is None else round(when.timestamp() * 1e9)


def files_of_store() -> Any:
    """The files of the object store, by the usual settings in the environment."""
    if find_spec("s3fs") is None:
        raise UsageError(f"{REMOTE} needs s3fs: pip install 'busplan[fleet-s3]'")
    return _files_at(_endpoint(), os.getpid())


@lru_cache(maxsize=4)
def _files_at(endpoint: str, process: int) -> _Store:
    """The client for an address; each process has its own."""
    import s3fs

    del process
    return _Store(
        s3fs.S3FileSystem(
            endpoint_url=endpoint or None,
            use_listings_cache=False,
            default_cache_type="none",
            skip_instance_cache=True,
        )
    )


class _Store:
    """The object store's files; whatever its client raises is an ``OSError`` from here on."""

    def __init__(self, files: Any) -> None:
        self._files = files

    def __getattr__(self, name: str) -> Callable[..., Any]:
        call = getattr(self._files, name)

        def checked(*given: Any, **named: Any) -> Any:
            try:
                return call(*given, **named)
            except OSError:
                raise
            except Exception as error:
                if type(error).__module__.partition(".")[0] in _CLIENTS:
                    raise OSError(5, f"the object store cannot be used: {error}") from error
                raise

        return checked


def store_options() -> dict[str, str]:
    """Settings for tables in an object store: conditional writes, never an unsafe rename.

    :class:`UsageError` when the environment asks for anything else.
    """
    if os.environ.get("AWS_S3_ALLOW_UNSAFE_RENAME", "").lower() in _TRUE:
        raise UsageError(
            "AWS_S3_ALLOW_UNSAFE_RENAME is set: two runs could overwrite each other's commits. "
            "Unset it; busplan writes tables with conditional writes only"
        )
    wanted = os.environ.get("AWS_CONDITIONAL_PUT", "etag").lower()
    if wanted != "etag":
        raise UsageError(
            f"AWS_CONDITIONAL_PUT is {wanted!r}; busplan writes tables with conditional writes "
            "only (etag)"
        )
    options = {"aws_conditional_put": "etag"}
    endpoint = _endpoint()
    if endpoint:
        options["aws_endpoint_url"] = endpoint
        if urlsplit(endpoint).scheme == "http":
            options["aws_allow_http"] = "true"
    if "AWS_REGION" not in os.environ and "AWS_DEFAULT_REGION" not in os.environ:
        options["aws_region"] = "us-east-1"
    return options


def _endpoint() -> str:
    """The store's address; :class:`UsageError` for one without encryption outside this machine."""
    found = os.environ.get("AWS_ENDPOINT_URL_S3") or os.environ.get("AWS_ENDPOINT_URL", "")
    parts = urlsplit(found)
    told = os.environ.get("AWS_ALLOW_HTTP", "").lower() in _TRUE
    here = parts.hostname in ("127.0.0.1", "localhost", "::1")
    if parts.scheme == "http" and not here and not told:
        raise UsageError(
            f"{found}: keys and captures would travel unencrypted; use https, or set "
            "AWS_ALLOW_HTTP=true"
        )
    return found
