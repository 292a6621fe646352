"""Numeric control as text: lines cut into words and put together again, byte for byte.

Words are those of ISO 6983-1: an address letter and a number. What is not a word (comments in
both common styles, blanks, `%`, checksums, block-delete strokes, macro expressions) is kept as it
stands, so that `write(read(data)) == data` for any bytes.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, Decimal
from functools import reduce
from typing import Literal

from volscan.errors import InputError

TokenKind = Literal["word", "comment", "checksum", "other"]

_TOKEN = re.compile(
    r"(?P<comment>\([^)]*\)?|;.*)"
    r"|(?P<word>[A-Za-z][ \t]*[+-]?(?:\d+\.?\d*|\.\d+))"
    r"|(?P<checksum>\*[ \t]*\d+)"
    r"|(?P<other>[^;(A-Za-z*]+|.)",
    re.DOTALL,
)
_LINE = re.compile(r"[^\r\n]*(?:\r\n|\n|\r|$)")
# Addresses that hold the text of a message or macro: nothing on such a line is a move.
_EXPRESSION = re.compile(r"[#\[\]]")


@dataclass(frozen=True)
class Token:
    """A piece of a line; `letter` and `number` (text) are filled in for words only."""

    kind: TokenKind
    text: str
    letter: str = ""
    number: str = ""

    @property
    def value(self) -> float:
        """The word's number."""
        return float(self.number)


@dataclass(frozen=True)
class Line:
    """One line: its tokens, which join to its text, and how it ends."""

    tokens: tuple[Token, ...]
    end: str

    @property
    def text(self) -> str:
        """The line without its end."""
        return "".join(t.text for t in self.tokens)

    @property
    def words(self) -> tuple[Token, ...]:
        """The words of the line, in order."""
        return tuple(t for t in self.tokens if t.kind == "word")

    @property
    def comment(self) -> str:
        """What its comments say, joined."""
        return " ".join(t.text for t in self.tokens if t.kind == "comment")

    @property
    def has_expression(self) -> bool:
        """Whether a macro expression or parameter stands outside its comments."""
        return any(t.kind == "other" and _EXPRESSION.search(t.text) for t in self.tokens)

    def __str__(self) -> str:
        return self.text + self.end


def read_lines(data: bytes) -> tuple[Line, ...]:
    """Cut the bytes of a file into lines of tokens; `write_lines` gives the same bytes back.

    Examples
    --------
    >>> [w.text for w in read_lines(b"N10 G1 X1.5 ; over\\n")[0].words]
    ['N10', 'G1', 'X1.5']
    """
    text = data.decode("latin-1")
    known: dict[str, tuple[Token, ...]] = {}
    lines = []
    for match in _LINE.finditer(text):
        whole = match.group()
        if not whole:
            continue
        body = whole.rstrip("\r\n")
        if body not in known:
            known[body] = _tokens(body)
        lines.append(Line(known[body], whole[len(body) :]))
    return tuple(lines)


def write_lines(lines: Iterable[Line]) -> bytes:
    """Return the bytes of the lines."""
    return "".join(str(line) for line in lines).encode("latin-1")


def _tokens(body: str) -> tuple[Token, ...]:
    out = []
    for match in _TOKEN.finditer(body):
        text = match.group()
        kind = match.lastgroup or "other"
        if kind == "word":
            out.append(Token("word", text, text[0].upper(), text[1:].strip()))
        elif kind == "comment":
            out.append(Token("comment", text))
        elif kind == "checksum":
            out.append(Token("checksum", text))
        else:
            out.append(Token("other", text))
    return tuple(out)


def checksum_of(line: Line) -> int:
    """Return the exclusive or of all bytes before the line's `*` (common practice)."""
    head = line.text.partition("*")[0]
    return reduce(lambda a, b: a ^ b, head.encode("latin-1"), 0)


def check_checksums(lines: Sequence[Line]) -> None:
    """Refuse a file in which a line's checksum is not that of its words."""
    for number, line in enumerate(lines, start=1):
        for token in line.tokens:
            if token.kind == "checksum" and int(token.text[1:]) != checksum_of(line):
                raise InputError(
                    f"toolpath line {number}: the checksum is {token.text[1:].strip()} but its "
                    f"words give {checksum_of(line)}; the file is damaged, take a sound copy"
                )


def decimals(number: str) -> int:
    """Return how many digits stand behind the point of a number's text."""
    return len(number.partition(".")[2])


def number_text(value: Decimal, places: int) -> str:
    """Write a number with at most `places` digits behind the point, without an exponent."""
    text = f"{value.quantize(Decimal(1).scaleb(-places), rounding=ROUND_HALF_EVEN):f}"
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text


def with_numbers(line: Line, numbers: Mapping[str, str]) -> Line:
    """Return the line with the numbers of some letters replaced, or the words put in.

    A word that the line lacks goes behind its last coordinate word, or its last word; a checksum
    is made anew.
    """
    tokens = list(line.tokens)
    missing = dict(numbers)
    for i, token in enumerate(tokens):
        if token.kind == "word" and token.letter in missing:
            number = missing.pop(token.letter)
            text = token.text[: len(token.text) - len(token.number)] + number
            tokens[i] = Token("word", text, token.letter, number)
    if missing:
        words = [i for i, t in enumerate(tokens) if t.kind == "word"]
        places = [i for i in words if tokens[i].letter in "XYZABCUVW"]
        at = (places or words)[-1] + 1
        new = []
        for letter in sorted(missing):
            new.append(Token("other", " "))
            new.append(Token("word", letter + missing[letter], letter, missing[letter]))
        tokens[at:at] = new
    changed = Line(tuple(tokens), line.end)
    if any(t.kind == "checksum" for t in tokens):
        total = checksum_of(changed)
        tokens = [Token("checksum", f"*{total}") if t.kind == "checksum" else t for t in tokens]
        changed = Line(tuple(tokens), line.end)
    return changed


def comment_line(text: str, end: str, style: Literal[";", "("]) -> Line:
    """Return a line that only holds a comment, in one of the two styles."""
    if style == ";":
        return Line((Token("comment", f"; {text}"),), end)
    inside = text.replace("(", "[").replace(")", "]")
    return Line((Token("comment", f"({inside})"),), end)
