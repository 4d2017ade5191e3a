"""Statements that change a journal in ways that verify must find; made of our own numbers only."""

# ruff: noqa: S608 (statements made of our own numbers)
SHIFT_UP = (
    "UPDATE event SET seq = -seq WHERE seq >= {n}; UPDATE event SET seq = 1 - seq WHERE seq < 0;"
    "UPDATE effect SET seq = -seq WHERE seq >= {n}; UPDATE effect SET seq = 1 - seq WHERE seq < 0"
)
SHIFT_DOWN = SHIFT_UP.replace("1 - seq", "-seq - 1").replace(">= {n}", "> {n}")
SWAP = "UPDATE {t} SET seq = -{a} WHERE seq = {a}; UPDATE {t} SET seq = {a} WHERE seq = {b};" + (
    "UPDATE {t} SET seq = {b} WHERE seq = -{a}"
)
DROP = "DELETE FROM event WHERE seq = {n}; DELETE FROM effect WHERE seq = {n}"
COPY = (
    "INSERT INTO event SELECT {to}, mono_ns, wall_ms, kind, body, prev, hash FROM event WHERE seq = {n};"
    "INSERT INTO effect SELECT {to}, n, body FROM effect WHERE seq = {n}"
)
INVENT = "INSERT INTO event VALUES ({n}, 1, 1, 'ticked', '{{\"folded\":{{}}}}', '{h}', '{h}')"
