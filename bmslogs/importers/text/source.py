"""The bytes of a log file: plain, packed (gz, zip, zst, bz2, xz) or made into a table, in blocks, hashed as given."""

from __future__ import annotations

import bz2
import gzip
import hashlib
import lzma
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any, cast

from bmslogs.base.errors import BadInput
from bmslogs.importers.text.made_table import DELIMITER, MadeTable

MOST_UNPACKED_RATIO = 400
"""Choice: text of logs packs up to about 100 times; a bomb of one repeated byte 1000 times."""
RATIO_FREE_BYTES = 64 << 20
"""Choice: below this size the ratio does not matter."""
LONGEST_LINE = 8 << 20
"""Choice [bytes]: a thousand cells with every extra column stay below 1 MB a row."""
_READ = 1 << 20

_SIGNATURES = {
    b"\x1f\x8b": "gz",
    b"PK\x03\x04": "zip",
    b"\x28\xb5\x2f\xfd": "zst",
    b"BZh": "bz2",
    b"\xfd7zXZ": "xz",
}
WORKBOOK_PARTS = frozenset(["xl/workbook.xml", "xl/workbook.bin", "content.xml"])
"""Names in a zip that make it a spreadsheet workbook."""
_LOG_ENDINGS = (".csv", ".txt", ".tsv", ".log", ".dat", ".asc")
_RECORDING_ENDINGS = (
    *(".xlsx", ".xlsm", ".xls", ".ods"),
    *(".parquet", ".feather", ".arrow", ".json", ".jsonl", ".ndjson", ".lp"),
)
_BINARY = {
    b"%PDF": "a PDF",
    b"\x89PNG": "a picture",
    b"PARE": "a Parquet file that is encrypted",
    b"SQLite": "a database file",
    b"MDF ": "a measurement file (MDF)",
    b"\x7fELF": "a program",
    b"{\\rtf": "a text document",
}


@dataclass(frozen=True)
class Source:
    """One log file on disk.

    Attributes
    ----------
    path
        Where it lies.
    kind
        ``plain``, ``gz``, ``zip``, ``zst``, ``bz2`` or ``xz``, by content, not by name; ``table`` where the file is
        no text and its table was written out.
    member
        Name of the packed file inside a zip.
    size
        Bytes as given.
    table
        The table that was made of a file of another kind.
    """

    path: Path
    kind: str
    size: int
    member: str | None = None
    table: MadeTable | None = None

    @property
    def text_path(self) -> Path | None:
        """The file whose bytes are the text itself; None where it is packed."""
        if self.table is not None:
            return self.table.path
        return self.path if self.kind == "plain" else None

    @property
    def text_size(self) -> int:
        """Bytes of the text, guessed where it is packed."""
        if self.table is not None:
            return self.table.size
        return self.size if self.kind == "plain" else 8 * self.size

    @property
    def held_size(self) -> int:
        """Bytes that are held in memory where the whole of the file must be."""
        return self.size if self.table is None else self.text_size

    @property
    def delimiter(self) -> str | None:
        """The delimiter of the text where it is known beforehand."""
        return None if self.table is None else DELIMITER

    def place(self, line: int) -> str:
        """Return how a line of the text is called in the file as given."""
        return f"line {line}" if self.table is None else self.table.origin.says(line)

    def told(self, error: BadInput) -> BadInput:
        """Return an error about the text as one about the file as given."""
        return error if self.table is None else self.table.origin.told(error)

    def open(self) -> IO[bytes]:
        """Open the unpacked bytes for reading."""
        if self.text_path is not None:
            return self.text_path.open("rb", buffering=0)
        if self.kind == "gz":
            return cast("IO[bytes]", gzip.open(self.path, "rb"))
        if self.kind == "bz2":
            return cast("IO[bytes]", bz2.open(self.path, "rb"))
        if self.kind == "xz":
            return cast("IO[bytes]", lzma.open(self.path, "rb"))
        if self.kind == "zst":
            import pyarrow as pa

            return cast("IO[bytes]", pa.CompressedInputStream(pa.OSFile(str(self.path)), "zstd"))
        archive = zipfile.ZipFile(self.path)
        return archive.open(cast(str, self.member))

    def head(self, size: int) -> bytes:
        """Return the first `size` unpacked bytes."""
        parts: list[bytes] = []
        left = size
        for block in self.reads(min(_READ, size)):
            parts.append(block[:left])
            left -= len(block)
            if left <= 0:
                break
        return b"".join(parts)

    def reads(self, size: int, digest: Any = None) -> Iterator[bytes]:
        """Yield the unpacked bytes in pieces of about `size`.

        Parameters
        ----------
        size
            Bytes a piece.
        digest
            A hashlib object that is fed the bytes as given, where they are read plain.

        Raises
        ------
        BadInput
            The archive is broken or unpacks to an absurd size.
        """
        total = 0
        try:
            with self.open() as handle:
                while block := handle.read(size):
                    if digest is not None:
                        digest.update(block)
                    total += len(block)
                    if (
                        self.text_path is None
                        and total > RATIO_FREE_BYTES
                        and total > self.size * MOST_UNPACKED_RATIO
                    ):
                        raise BadInput(
                            f"unpacks to more than {MOST_UNPACKED_RATIO} times its size",
                            "a packed log",
                            file=self.path,
                        )
                    yield block
        except (
            EOFError,
            zlib.error,
            lzma.LZMAError,
            zipfile.BadZipFile,
            RuntimeError,
            NotImplementedError,
        ) as error:
            raise BadInput(f"the archive is broken ({error})", "a whole archive", file=self.path) from None
        except OSError as error:
            what = (
                "cannot be read" if self.text_path is not None else "the archive is broken or cannot be read"
            )
            raise BadInput(f"{what} ({error})", "a readable log file", file=self.path) from None

    def sha256(self) -> str:
        """Return the SHA-256 of the bytes as given."""
        try:
            with self.path.open("rb") as handle:
                return hashlib.file_digest(handle, "sha256").hexdigest()
        except OSError as error:
            raise BadInput(f"cannot be read ({error})", "a readable log file", file=self.path) from None


def open_source(path: str | Path) -> Source:
    """Look at a file and say how it is packed.

    Raises
    ------
    BadInput
        Missing, empty, a folder, or plainly not a text log.
    """
    path = Path(path)
    try:
        if path.is_dir():
            raise BadInput("is a folder", "a log file", file=path)
        size = path.stat().st_size
        with path.open("rb") as handle:
            start = handle.read(16)
    except FileNotFoundError:
        raise BadInput("no such file", "a log file", file=path) from None
    except (OSError, ValueError) as error:
        raise BadInput(f"cannot be read ({error})", "a readable log file", file=path) from None
    if not start:
        raise BadInput("the file is empty", "a log with a header and rows", file=path)
    for signature, what in _BINARY.items():
        if start.startswith(signature):
            raise BadInput(f"is {what}, not text", "a CSV file; export it as CSV", file=path)
    for signature, kind in _SIGNATURES.items():
        if start.startswith(signature):
            member = _zip_member(path) if kind == "zip" else None
            if kind == "zip" and member is None:
                return Source(path, "plain", size)
            return Source(path, kind, size, member)
    return Source(path, "plain", size)


def _zip_member(path: Path) -> str | None:
    """Return the one log inside a zip; None where the zip is a spreadsheet workbook itself."""
    try:
        with zipfile.ZipFile(path) as archive:
            infos = [i for i in archive.infolist() if not i.is_dir()]
    except (zipfile.BadZipFile, OSError, NotImplementedError) as error:
        raise BadInput(f"the archive is broken ({error})", "a whole archive", file=path) from None
    names = [i.filename for i in infos if not _by_the_way(i.filename)]
    if any(n in WORKBOOK_PARTS for n in names):
        return None
    if any(i.flag_bits & 1 for i in infos):
        raise BadInput("the archive is locked with a password", "an open archive", file=path)
    logs = [n for n in names if n.lower().endswith((*_LOG_ENDINGS, *_RECORDING_ENDINGS))] or names
    tables = [n for n in logs if n.lower().endswith((".csv", ".tsv"))]
    if len(logs) > 1 and len(tables) == 1:
        logs = tables
    if len(logs) != 1:
        raise BadInput(
            f"the archive holds {len(logs)} logs", "one; unpack it and give the files one by one", file=path
        )
    return logs[0]


def _by_the_way(name: str) -> bool:
    base = name.rsplit("/", 1)[-1].lower()
    return (
        name.startswith("__MACOSX/")
        or base.startswith((".", "readme", "license"))
        or base.endswith((".md", ".pdf"))
    )


def lines_of(pieces: Iterator[bytes], size: int, file: Path) -> Iterator[bytes]:
    """Join pieces into blocks of about `size` bytes that end at a line end.

    Raises
    ------
    BadInput
        A line longer than any log has.
    """
    carry = b""
    for piece in pieces:
        cut = piece.rfind(b"\n") + 1
        if cut == 0 and b"\n" not in carry:
            # line ends of the old kind; a last one may be half of a pair
            cut = piece.rfind(b"\r", 0, len(piece) - 1) + 1
        if cut == 0:
            carry += piece
            if len(carry) > LONGEST_LINE:
                raise BadInput(f"a line longer than {LONGEST_LINE >> 20} MB", "a table of rows", file=file)
            continue
        block = b"".join((carry, memoryview(piece)[:cut]))
        carry = piece[cut:]
        if len(block) >= size // 2:
            yield block
        else:
            carry = block + carry
            if len(carry) >= size:
                end = carry.rfind(b"\n") + 1 or carry.rfind(b"\r") + 1
                yield carry[:end]
                carry = carry[end:]
    if carry:
        yield carry
