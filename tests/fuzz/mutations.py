"""What an enemy, a broken gateway or a bad line makes of a valid message: values of the wrong kind, and broken bytes.

Works on the tokens of the text, so that it serves JSON and TOML alike and can write what no serializer would: NaN, a
name that stands twice, half a surrogate pair.
"""

from __future__ import annotations

import random
import re
from collections.abc import Callable

TOKEN = re.compile(rb'"(?:[^"\\\n]|\\.)*"|-?\d[\w.+:-]*|[A-Za-z_][\w.-]*')
OPENING, CLOSING = b"{[", b"}]"

ODD: tuple[bytes, ...] = (
    *(b"NaN", b"Infinity", b"-Infinity", b"nan", b"inf", b"null", b"true", b"false", b"{}", b"[]", b"[[]]"),
    *(
        b"0",
        b"-0.0",
        b"-1",
        b"0.5",
        b"1.0",
        b"5e-324",
        b"1e308",
        b"-1e308",
        b"1.7976931348623157e308",
        b"1e400",
    ),
    *(b"2147483648", b"4294967296", b"9007199254740993", b"9223372036854775808", b"-9223372036854775809"),
    *(b"1" + b"0" * 308, b"1" + b"0" * 400, b"7" * 4301, b"0x" + b"f" * 4000, b"1e-400", b"00", b"1_000"),
    *(b'""', b'" "', b'"\\ud800"', b'"\\udc00\\ud800"', b'"\\u0000"', b'"\\n"', b'"\xff"', b'"\xed\xa0\x80"'),
    *(b'"NaN"', b'"1"', b'"null"', b'"../x"', b'"' + b"a" * 65 + b'"', b'"\xf0\x9f\x96\xa8"', b'"\\u202e"'),
    *(b'"0001-01-01T00:00:00+23:59"', b'"9999-12-31T23:59:59.999999999-23:59"', b'"2026-13-45T99:99:99Z"'),
    *(b"0001-01-01", b"9999-12-31", b"1979-05-27T07:32:00Z", b"07:32:00"),
    *(
        b'"u1"',
        b'"u2"',
        b'"K"',
        b'"C"',
        b'"front"',
        b'"hand"',
        b'"float"',
        b'"msg"',
        b'"signature"',
        b'"digest"',
    ),
)
DEPTHS = (2, 31, 33, 64, 150, 199, 201, 255, 400)
NEAR_THE_LIMIT = (850, 1010)
"""Python ends a recursion at 1,000 calls: what is parsed just below may be too deep for whoever looks at it next."""


def nested(dice: random.Random) -> bytes:
    """Lists or objects within each other, at times just as deep as the interpreter allows."""
    depth = dice.choice((*DEPTHS, dice.randint(*NEAR_THE_LIMIT), dice.randint(*NEAR_THE_LIMIT)))
    if dice.random() < 0.6:
        return b"[" * depth + b"]" * depth
    return b'{"a":' * depth + b"1" + b"}" * depth


def odd(dice: random.Random) -> bytes:
    """A value that is rarely expected."""
    kind = dice.random()
    if kind < 0.1:
        return nested(dice)
    if kind < 0.2:
        return str(dice.choice((dice.randint(-3, 300), round(dice.uniform(-3.0, 300.0), 3)))).encode()
    return dice.choice(ODD)


def mutated(sample: bytes, dice: random.Random) -> bytes:
    """The sample after one to four changes, most often a single one."""
    for _ in range(dice.choice((1, 1, 1, 2, 3, 4))):
        sample = dice.choice(CHANGES)(sample, dice)
    return sample


def _token_replaced(sample: bytes, dice: random.Random) -> bytes:
    return _put(sample, _token(sample, dice), odd(dice))


def _token_moved(sample: bytes, dice: random.Random) -> bytes:
    """A token in the place of another one: a wrong type, an id of something else, a name twice in its object."""
    begin, end = _token(sample, dice)
    return _put(sample, _token(sample, dice), sample[begin:end])


def _group_changed(sample: bytes, dice: random.Random) -> bytes:
    """An object or list taken out, replaced, emptied, or standing twice."""
    span = _group(sample, dice)
    whole = sample[slice(*span)]
    new = dice.choice((b"", odd(dice), whole[:1] + whole[-1:], whole + b"," + whole, b"[" + whole + b"]"))
    return _put(sample, span, new)


def _member_added(sample: bytes, dice: random.Random) -> bytes:
    """A member more in front of an object: unknown, or one that is there already."""
    begin, _ = _group(sample, dice)
    start, end = _token(sample, dice)
    name = dice.choice((b'"later"', sample[start:end]))
    return _put(sample, (begin + 1, begin + 1), name + b":" + odd(dice) + b",")


def _piece(sample: bytes, dice: random.Random) -> tuple[int, int]:
    begin = dice.randint(0, len(sample))
    return begin, min(len(sample), begin + dice.choice((1, 1, 2, 8, 64, len(sample))))


def _flipped(sample: bytes, dice: random.Random) -> bytes:
    if not sample:
        return b"\x00"
    place = dice.randrange(len(sample))
    return _put(sample, (place, place + 1), bytes((sample[place] ^ 1 << dice.randrange(8),)))


def _cut(sample: bytes, dice: random.Random) -> bytes:
    return sample[: dice.randint(0, len(sample))]


def _taken_out(sample: bytes, dice: random.Random) -> bytes:
    return _put(sample, _piece(sample, dice), b"")


def _doubled(sample: bytes, dice: random.Random) -> bytes:
    begin, end = _piece(sample, dice)
    return _put(sample, (end, end), sample[begin:end])


def _garbled(sample: bytes, dice: random.Random) -> bytes:
    return _put(sample, _piece(sample, dice), dice.randbytes(dice.choice((1, 2, 8, 40))))


def _put(sample: bytes, span: tuple[int, int], new: bytes) -> bytes:
    return sample[: span[0]] + new + sample[span[1] :]


def _token(sample: bytes, dice: random.Random) -> tuple[int, int]:
    found = [match.span() for match in TOKEN.finditer(sample)]
    return dice.choice(found) if found else (0, len(sample))


def _group(sample: bytes, dice: random.Random) -> tuple[int, int]:
    """A piece from an opening bracket to the one that closes it, without regard to brackets within texts."""
    begins = [place for place, byte in enumerate(sample) if byte in OPENING]
    begin = dice.choice(begins) if begins else 0
    depth = 0
    for place in range(begin, len(sample)):
        depth += (sample[place] in OPENING) - (sample[place] in CLOSING)
        if depth == 0:
            return begin, place + 1
    return begin, len(sample)


CHANGES: tuple[Callable[[bytes, random.Random], bytes], ...] = (
    *(_token_replaced,) * 6,
    *(_token_moved,) * 2,
    *(_group_changed,) * 2,
    *(_member_added,) * 2,
    *(_flipped, _cut, _taken_out, _doubled, _garbled),
)


def of_seed(samples: tuple[bytes, ...], seed: int) -> bytes:
    """One of the samples, changed as the seed says: the same seed always gives the same bytes."""
    dice = random.Random(seed)
    return mutated(dice.choice(samples), dice)
