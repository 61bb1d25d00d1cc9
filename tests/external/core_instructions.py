"""What the core's instructions do, written for the tests alone from the pseudocode of the architecture manual.

Source: Armv7-M Architecture Reference Manual (DDI 0403), chapter A7.7; one function for each family, on Python
integers of any size, so that nothing is shared with the C under test. A result is (value, Q set, GE or None).
"""

from __future__ import annotations

from collections.abc import Callable

Result = tuple[int, bool, int | None]


def signed(value: int, bits: int) -> int:
    value %= 1 << bits
    return value - (1 << bits) if value >> (bits - 1) else value


def lanes(word: int, size: int, as_signed: bool) -> list[int]:
    parts = [word >> size * i & ((1 << size) - 1) for i in range(32 // size)]
    return [signed(p, size) for p in parts] if as_signed else parts


def packed(parts: list[int], size: int) -> int:
    return sum((p % (1 << size)) << size * i for i, p in enumerate(parts))


def saturated(value: int, low: int, high: int) -> tuple[int, bool]:
    return (low, True) if value < low else (high, True) if value > high else (value, False)


def parallel(prefix: str, what: str, a: int, b: int) -> Result:
    """SADD16, UQASX, SHSUB8 and so on: prefix s, u, q, uq, sh, uh; what add16, sub16, asx, sax, add8, sub8."""
    size = 8 if what.endswith("8") else 16
    is_signed = prefix in ("s", "q", "sh")
    x, y = lanes(a, size, is_signed), lanes(b, size, is_signed)
    if what == "asx":
        sums = [(x[0] - y[1], "-"), (x[1] + y[0], "+")]
    elif what == "sax":
        sums = [(x[0] + y[1], "+"), (x[1] - y[0], "-")]
    else:
        sign = "+" if what.startswith("add") else "-"
        sums = [(m + n if sign == "+" else m - n, sign) for m, n in zip(x, y, strict=True)]
    ge = None
    if prefix in ("s", "u"):
        ge = 0
        for i, (total, sign) in enumerate(sums):
            on = total >= 0 if is_signed or sign == "-" else total >= 1 << size
            ge |= (((1 << size // 8) - 1) << i * size // 8) if on else 0
    if prefix in ("sh", "uh"):
        out = [total // 2 for total, _ in sums]
    elif prefix in ("q", "uq"):
        low, high = (-(1 << size - 1), (1 << size - 1) - 1) if is_signed else (0, (1 << size) - 1)
        out = [saturated(total, low, high)[0] for total, _ in sums]
    else:
        out = [total for total, _ in sums]
    return packed(out, size), False, ge


def wrapped(total: int, bits: int = 32) -> Result:
    """The low bits; Q when a 32-bit result is not the whole."""
    return total % (1 << bits), bits == 32 and signed(total, 32) != total, None


def word(value: tuple[int, bool]) -> Result:
    return value[0] % 2**32, value[1], None


def dual(a: int, b: int, sign: int, crossed: bool) -> int:
    x, y = lanes(a, 16, True), lanes(b, 16, True)
    y = y[::-1] if crossed else y
    return x[0] * y[0] + sign * x[1] * y[1]


def half(value: int, letter: str) -> int:
    return lanes(value, 16, True)[0 if letter == "b" else 1]


def ssat(a: int, n: int) -> Result:
    return word(saturated(signed(a, 32), -(1 << n - 1), (1 << n - 1) - 1))


def usat(a: int, n: int) -> Result:
    return word(saturated(signed(a, 32), 0, (1 << n) - 1))


def sat16(a: int, low: int, high: int) -> Result:
    parts = [saturated(p, low, high) for p in lanes(a, 16, True)]
    return packed([p for p, _ in parts], 16), any(q for _, q in parts), None


S32 = (-(2**31), 2**31 - 1)


def sat32(total: int) -> Result:
    return word(saturated(total, *S32))


def plain(value: int) -> Result:
    return value % 2**32, False, None


def extend(word_: int, rotate: int, as_signed: bool, onto: int = 0) -> Result:
    turned = (word_ >> rotate | word_ << 32 - rotate) % 2**32 if rotate else word_
    bytes_ = lanes(turned, 8, as_signed)
    base = lanes(onto, 16, False)
    return packed([base[0] + bytes_[0], base[1] + bytes_[2]], 16), False, None


def text(a: int, size: int = 32) -> str:
    return f"{a % (1 << size):0{size}b}"


def leading(a: int, size: int = 32) -> int:
    return len(text(a, size)) - len(text(a, size).lstrip("0"))


def signs(a: int, size: int = 32) -> int:
    return len(text(a, size)) - len(text(a, size).lstrip(text(a, size)[0])) - 1


def bytes_of(a: int) -> list[int]:
    return list((a % 2**32).to_bytes(4, "little"))


TWO: dict[str, Callable[[int, int], Result]] = {
    f"{prefix}{what}": (lambda p, w: lambda a, b: parallel(p, w, a, b))(prefix, what)
    for prefix in ("s", "u", "q", "uq", "sh", "uh")
    for what in ("add16", "sub16", "asx", "sax", "add8", "sub8")
}
TWO |= {
    "qadd": lambda a, b: sat32(signed(a, 32) + signed(b, 32)),
    "qsub": lambda a, b: sat32(signed(a, 32) - signed(b, 32)),
    "usad8": lambda a, b: plain(sum(abs(m - n) for m, n in zip(bytes_of(a), bytes_of(b), strict=True))),
    "sxtab16": lambda a, b: extend(b, 0, True, a),
    "uxtab16": lambda a, b: extend(b, 0, False, a),
    "smuad": lambda a, b: wrapped(dual(a, b, 1, False)),
    "smuadx": lambda a, b: wrapped(dual(a, b, 1, True)),
    "smusd": lambda a, b: wrapped(dual(a, b, -1, False)),
    "smusdx": lambda a, b: wrapped(dual(a, b, -1, True)),
}


def product(m: str, n: str) -> Callable[[int, int], int]:
    """SMULmn; m = "w": the whole first operand, bits 47 to 16."""
    if m == "w":
        return lambda a, b: signed(a, 32) * half(b, n) >> 16
    return lambda a, b: half(a, m) * half(b, n)


def alone(m: str, n: str) -> Callable[[int, int], Result]:
    return lambda a, b: plain(product(m, n)(a, b))


def added(m: str, n: str) -> Callable[[int, int, int], Result]:
    return lambda a, b, c: wrapped(product(m, n)(a, b) + signed(c, 32))


MULTIPLY = {f"smul{m}{n}": alone(m, n) for m in "btw" for n in "bt"}
MULTIPLY_ADD = {f"smla{m}{n}": added(m, n) for m in "btw" for n in "bt"}
THREE: dict[str, Callable[[int, int, int], Result]] = {
    "smlad": lambda a, b, c: wrapped(dual(a, b, 1, False) + signed(c, 32)),
    "smladx": lambda a, b, c: wrapped(dual(a, b, 1, True) + signed(c, 32)),
    "smlsd": lambda a, b, c: wrapped(dual(a, b, -1, False) + signed(c, 32)),
    "smlsdx": lambda a, b, c: wrapped(dual(a, b, -1, True) + signed(c, 32)),
    "usada8": lambda a, b, c: plain(TWO["usad8"](a, b)[0] + c),
}
LONG: dict[str, Callable[[int, int, int], Result]] = {
    "smlald": lambda a, b, c: wrapped(dual(a, b, 1, False) + c, 64),
    "smlaldx": lambda a, b, c: wrapped(dual(a, b, 1, True) + c, 64),
    "smlsld": lambda a, b, c: wrapped(dual(a, b, -1, False) + c, 64),
    "smlsldx": lambda a, b, c: wrapped(dual(a, b, -1, True) + c, 64),
}
ONE: dict[str, Callable[[int], Result]] = {
    "clz": lambda a: plain(leading(a)),
    "rbit": lambda a: plain(int(text(a)[::-1], 2)),
    "rev": lambda a: plain(int.from_bytes(bytes(bytes_of(a)), "big")),
    "rev16": lambda a: plain(int.from_bytes(bytes([bytes_of(a)[i] for i in (1, 0, 3, 2)]), "little")),
    "sxtb16": lambda a: extend(a, 0, True),
    "uxtb16": lambda a: extend(a, 0, False),
}
