"""Photo files spoilt in ways that a seed tells again."""

from __future__ import annotations

import random

_NUMBERS = (b"\xff\xff\xff\xff", b"\0\0\0\0", b"\x7f\xff\xff\xff", b"\0\1\0\0", b"\x80\0\0\0")
_HEADER = 1200


def mutated(data: bytes, seed: int) -> bytes:
    """`data` with one to six bytes, numbers or stretches changed, put in or taken out."""
    dice = random.Random(seed)
    spoilt = bytearray(data)
    for _ in range(dice.randint(1, 6)):
        # Headers are the richer half: aimed at as often as the rest.
        last = dice.choice([len(spoilt) - 1, min(_HEADER, len(spoilt) - 1)])
        at, way = dice.randint(0, max(0, last)), dice.random()
        if way < 0.5:
            spoilt[at : at + 1] = bytes([dice.randrange(256)])
        elif way < 0.7:
            spoilt[at : at + 4] = dice.choice([*_NUMBERS, dice.randbytes(4)])
        elif way < 0.85:
            spoilt[at:at] = dice.randbytes(dice.randint(1, 40))
        else:
            del spoilt[at : at + dice.randint(1, 40)]
    if dice.random() < 0.15:
        del spoilt[dice.randint(0, len(spoilt)) :]
    return bytes(spoilt)
