"""What a browser sends: forms and files, within limits, into a folder that is gone when it was dealt with."""

from __future__ import annotations

import shutil
import tempfile
import threading
import time
from collections import OrderedDict
from collections.abc import AsyncGenerator, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from secrets import token_urlsafe

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData, UploadFile
from starlette.formparsers import FormParser, MultiPartException, MultiPartParser
from starlette.requests import Request

from speedlog.errors import SpeedlogError
from speedlog.logbook.names import file_name
from speedlog.settings.pit import PitSettings

_PREFIX = "speedlog-pit-"


class TooMuchError(Exception):
    """More bytes than may be sent at once, or too many uploads at a time."""

    def __init__(self, status: int, text: str) -> None:
        self.status = status
        super().__init__(text)


class _Whole(MultiPartParser):
    """Knows whether the last boundary came; without it the last file may be a part of one."""

    ended = False

    def on_end(self) -> None:
        self.ended = True

    def close(self) -> None:
        for file in self._files_to_close_on_error:
            file.close()


@dataclass
class Received:
    """Fields as typed, and files under their own names in a folder of their own."""

    fields: Mapping[str, str]
    folder: Path | None = None
    files: list[Path] = field(default_factory=list)

    def drop(self) -> None:
        """Take the files away."""
        if self.folder is not None:
            shutil.rmtree(self.folder, ignore_errors=True)
        self.folder, self.files = None, []


class Desk:
    """Takes in what is sent; keeps what was refused until the user has said more, or others push it out."""

    def __init__(self, settings: PitSettings) -> None:
        self._settings = settings
        self._lock = threading.Lock()
        self._uploads = 0
        self._waiting: OrderedDict[str, Received] = OrderedDict()

    async def receive(self, request: Request) -> Received:
        """The form and its files.

        Raises:
            TooMuchError: over a limit; nothing is left of it.
            SpeedlogError: no form, or one with too many parts.
            starlette.requests.ClientDisconnect: cut off half-way; nothing is left of it.
        """
        kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
        if kind == "multipart/form-data":
            with self._place():
                form = await self._multipart(request)
                try:
                    return await run_in_threadpool(self._written, form)
                finally:
                    await form.close()
        if kind == "application/x-www-form-urlencoded":
            most = self._settings.longest_field * 4
            form = await FormParser(request.headers, self._counted(request, most)).parse()
            return Received(self._fields(form))
        raise SpeedlogError("no form was sent", todo="Use the page's own buttons.")

    def wait(self, received: Received) -> str:
        """Keep refused files for another try; the key to them."""
        key = token_urlsafe(9)
        with self._lock:
            self._waiting[key] = received
            gone = []
            while len(self._waiting) > self._settings.waiting_kept:
                gone.append(self._waiting.popitem(last=False)[1])
        for item in gone:
            item.drop()
        return key

    def waiting(self, key: str) -> Received | None:
        with self._lock:
            return self._waiting.get(key)

    def taken(self, key: str) -> Received | None:
        """The files that wait under a key; they wait no longer."""
        with self._lock:
            return self._waiting.pop(key, None)

    def close(self) -> None:
        with self._lock:
            gone, self._waiting = list(self._waiting.values()), OrderedDict()
        for item in gone:
            item.drop()

    @contextmanager
    def _place(self) -> Iterator[None]:
        with self._lock:
            if self._uploads >= self._settings.most_uploads:
                raise TooMuchError(503, "Too many uploads at once. Try again in a moment; nothing was kept.")
            self._uploads += 1
        try:
            yield
        finally:
            with self._lock:
                self._uploads -= 1

    async def _multipart(self, request: Request) -> FormData:
        settings = self._settings
        most = int(settings.biggest_upload_mb * 1e6)
        parser = _Whole(
            request.headers,
            self._counted(request, most),
            max_files=settings.most_files,
            max_fields=settings.most_fields,
            max_part_size=settings.longest_field,
        )
        try:
            form = await parser.parse()
        except MultiPartException as error:
            if "Too many" in error.message or "exceeded" in error.message:
                raise TooMuchError(
                    413, f"Too much at once: {error.message.rstrip('.')}. Nothing was kept; send it in parts."
                ) from None
            raise SpeedlogError(
                "what was sent is no whole form", todo="Nothing was kept; try again."
            ) from None
        if not parser.ended:
            parser.close()
            raise SpeedlogError("the upload was cut off", todo="Nothing was kept; try again.")
        return form

    async def _counted(self, request: Request, most: int) -> AsyncGenerator[bytes, None]:
        count = 0
        async for part in request.stream():
            count += len(part)
            if count > most:
                raise TooMuchError(413, f"Too big: at most {most / 1e6:.0f} MB at once. Nothing was kept.")
            yield part

    def _fields(self, form: FormData) -> dict[str, str]:
        found: dict[str, str] = {}
        for name, value in form.multi_items():
            if isinstance(value, str):
                if len(value) > self._settings.longest_field or len(found) >= self._settings.most_fields:
                    raise TooMuchError(413, "Too much text in one field. Nothing was kept.")
                found.setdefault(name, value)
        return found

    def _written(self, form: FormData) -> Received:
        found = Received(self._fields(form))
        sent = [item for _, item in form.multi_items() if isinstance(item, UploadFile)]
        sent = [item for item in sent if item.filename and item.size]
        if not sent:
            return found
        found.folder = Path(tempfile.mkdtemp(prefix=_PREFIX))
        taken: set[str] = set()
        try:
            for item in sent:
                last = (item.filename or "").replace("\\", "/").rpartition("/")[2]
                path = found.folder / file_name(last, taken)
                with path.open("xb") as out:
                    shutil.copyfileobj(item.file, out, 1 << 20)
                found.files.append(path)
        except OSError as error:
            found.drop()
            raise SpeedlogError(
                f"what was sent can't be written down ({error.strerror})",
                todo="Is the disk full? Nothing was kept.",
            ) from None
        except BaseException:
            found.drop()
            raise
        return found


def sweep(settings: PitSettings) -> None:
    """Take away what a server that was killed has left in the folder for temporary files."""
    now = time.time()
    for path in Path(tempfile.gettempdir()).glob(f"{_PREFIX}*"):
        try:
            old = now - path.stat().st_mtime > settings.leftover_s
        except OSError:
            continue
        if old and path.is_dir() and not path.is_symlink():
            shutil.rmtree(path, ignore_errors=True)
