"""Lines are cut into words and put together again without loss; checksums stay right."""

from __future__ import annotations

import gzip
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from volscan.errors import InputError
from volscan.toolpath.words import (
    check_checksums,
    number_text,
    read_lines,
    with_numbers,
    write_lines,
)

REAL = sorted((Path(__file__).parent / "real_prints").glob("*.gz"))

numbers = st.one_of(
    st.integers(-999, 999).map(str),
    st.decimals(-999, 999, places=4, allow_nan=False).map(lambda d: f"{d:f}"),
    st.sampled_from(["+1.5", "-.25", ".5", "7.", "-0", "00012"]),
)
# The standard's address letters (ISO 6983-1), and what stands beside words in common files.
words = st.tuples(st.sampled_from("NGXYZABCUVWIJKRFSTMDHPQLEOgxyzf"), st.sampled_from(["", " "]),
                  numbers).map("".join)  # fmt: skip
pieces = st.one_of(
    words,
    st.sampled_from([" ", "\t", "/", "%", "*71", "(a (b) c)", "(open", "; X9 G1", "#1", "[2+3]"]),
    st.text(st.characters(max_codepoint=255, exclude_characters="\r\n"), max_size=6),
)
lines = st.tuples(st.lists(pieces, max_size=8).map("".join), st.sampled_from(["\n", "\r\n", "\r"]))
files = st.lists(lines, max_size=6).map(lambda rows: "".join(a + b for a, b in rows))


def round_trip(text: str) -> None:
    data = text.encode("latin-1")
    assert write_lines(read_lines(data)) == data


@settings(max_examples=150, deadline=None, database=None)
@given(files)
def test_any_file_comes_back_byte_for_byte(text):
    round_trip(text)


@settings(max_examples=150, deadline=None, database=None)
@given(st.lists(st.tuples(st.sampled_from("GXYZABCIJKRFSTMN"), numbers), min_size=1, max_size=7))
def test_words_are_found_as_written(pairs):
    text = " ".join(a + b for a, b in pairs)
    (line,) = read_lines(text.encode())
    assert [(t.letter, t.number) for t in line.words] == pairs


@pytest.mark.parametrize("path", REAL, ids=lambda p: p.name)
def test_real_prints_come_back_byte_for_byte(path):
    data = gzip.decompress(path.read_bytes())
    assert write_lines(read_lines(data)) == data


def test_comments_of_both_styles_hold_no_words():
    (line,) = read_lines(b"N5 G1 (X9) Y2 ; Z3\n")
    assert [t.text for t in line.words] == ["N5", "G1", "Y2"]
    assert line.comment == "(X9) ; Z3"


def test_numbers_are_replaced_in_place_and_missing_words_put_behind_the_coordinates():
    (line,) = read_lines(b"N5 G1 x 1.50  F300 (go)\r\n")
    assert str(with_numbers(line, {"X": "2.25"})) == "N5 G1 x 2.25  F300 (go)\r\n"
    assert str(with_numbers(line, {"Y": "-1"})) == "N5 G1 x 1.50 Y-1  F300 (go)\r\n"


def test_checksums_are_made_anew_and_wrong_ones_refused():
    # Exclusive or of the bytes of "N3 T0": 0x4e ^ 0x33 ^ 0x20 ^ 0x54 ^ 0x30 = 57, by hand.
    sound = read_lines(b"N3 T0*57\n")
    check_checksums(sound)
    changed = with_numbers(sound[0], {"T": "1"})
    assert str(changed) == "N3 T1*56\n"
    with pytest.raises(InputError, match="line 1: the checksum is 58"):
        check_checksums(read_lines(b"N3 T0*58\n"))


def test_numbers_are_written_without_exponent_and_without_minus_zero():
    from decimal import Decimal

    assert number_text(Decimal("1e-7"), 4) == "0"
    assert number_text(Decimal("-0.00004"), 4) == "0"
    assert number_text(Decimal("12.3400"), 4) == "12.34"
    assert number_text(Decimal("100"), 4) == "100"
