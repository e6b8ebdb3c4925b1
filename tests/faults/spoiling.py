"""How a sound input is spoiled: by bytes, by words, by numbers, by a value that is none."""

from __future__ import annotations

import random
import re

NONSENSE = ["abc", "12abc", "1e400", "-1e9", "nan", "inf", "0x1f", "1_000", "½", "٣", "--", "1 2",
            "#REF!", "<b>", "9" * 40]  # fmt: skip
"""Never a value of a column of numbers or codes."""

PIECES = [b"\x00", b"\xff\xfe", b"\xef\xbb\xbf", b'"', b'""', b"\r", b"\n", b"\r\n", b",", b";",
          b"[[", b"]]", b"{", b"}", b"=", b"#", b"\\", b"-1", b"1e999", b"9" * 30, b"&a;", b"]]>",
          b"<!--", b"/>", b"2026-02-30", "😀".encode(), b"\xed\xa0\x80", b"\x1b[31m",
          b"'; DROP TABLE delivered.trips; --", b"=1+1", b"<script>"]  # fmt: skip


def spoiled_bytes(draw: random.Random, data: bytes) -> bytes:
    """A sound input with some bytes cut, overwritten, repeated or put in."""
    found = bytearray(data)
    for _ in range(draw.randint(1, 3)):
        at, length = draw.randint(0, max(len(found) - 1, 0)), draw.randint(1, 40)
        piece = draw.choice(PIECES) if draw.random() < 0.7 else draw.randbytes(draw.randint(1, 8))
        kind = draw.randrange(4)
        if kind == 0:
            del found[at : at + length]
        elif kind == 1:
            found[at : at + len(piece)] = piece
        elif kind == 2:
            found[at:at] = piece
        else:
            other = draw.randint(0, max(len(found) - 1, 0))
            found[at:at] = found[other : other + length]
    return bytes(found)


WORD = re.compile(rb"[\w.+-]+")
NUMBER = re.compile(rb"(?<![\w.-])-?[0-9]+(?:\.[0-9]+)?(?![\w.-])")
TEXT = re.compile(rb"(?<=>)[^<>]+(?=</[tv]>)")
NUMBERS = [b"0", b"-1", b"1e9", b"0.5", b"1.5", b"99999", b"-0.0", b"nan", b"inf", b"1_0", b"''"]


def spoiled_words(draw: random.Random, data: bytes) -> bytes:
    """A sound input with one or two of its words or numbers replaced, its form kept."""
    for _ in range(draw.randint(1, 2)):
        words = list(WORD.finditer(data))
        if not words:
            return data
        word = draw.choice(words)
        other = draw.choice([draw.choice(words)[0], draw.choice(NONSENSE).encode(), b"",
                             word[0] * 2, word[0].upper(), b"-" + word[0], b"0"])  # fmt: skip
        data = data[: word.start()] + other + data[word.end() :]
    return data


def spoiled_numbers(draw: random.Random, data: bytes) -> bytes:
    """A sound input with one or two of its numbers replaced by others."""
    for _ in range(draw.randint(1, 2)):
        if numbers := list(NUMBER.finditer(data)):
            number = draw.choice(numbers)
            data = data[: number.start()] + draw.choice(NUMBERS) + data[number.end() :]
    return data


def spoiled_texts(draw: random.Random, data: bytes) -> bytes:
    """A sheet's XML with the text of some cells replaced."""
    for _ in range(draw.randint(1, 3)):
        if texts := list(TEXT.finditer(data)):
            text = draw.choice(texts)
            other = draw.choice([draw.choice(texts)[0], draw.choice(NONSENSE).encode(), b"",
                                 text[0] * 2, b"-" + text[0], b"&#65;", b"&lt;b&gt;"])  # fmt: skip
            data = data[: text.start()] + other.replace(b"<b>", b"b") + data[text.end() :]
    return data


def spoil(draw: random.Random, data: bytes) -> bytes:
    """Bytes, words or numbers of a sound input spoiled."""
    return draw.choice([spoiled_bytes, spoiled_words, spoiled_numbers])(draw, data)
