"""Default blade-line coefficients: how key openings act on the gap along the fountain blade.

A segmented blade has one slide a zone: identity. A spring blade is one strip of spring steel, clamped along its
back edge, that the keys push from below. Derivation (derived here; Euler-Bernoulli bending, foundation model
after Hetenyi, Beams on Elastic Foundation, 1946, cited from memory): with free length l, thickness t and
E' = E / (1 - nu^2), a unit width of blade is a cantilever of tip stiffness k = E' t^3 / (4 l^3), so the tip line
along the roller is a beam on an elastic foundation of modulus k. Its bending stiffness is
EI = (E' t^3 / 12) (33/140) l, the strip's own weighted with the square of the cantilever's deflection curve
(integral 33/140, as in Rayleigh's effective mass). Every key is a spring of stiffness K between its command u_j
and the tip line:

    EI d4w/dx4 + k w + sum_j K (w(x_j) - u_j) delta(x - x_j) = 0,    ends free.

The solution w = sum_j b_j(x) u_j gives the coefficients. They depend on K / (E' t^3), on pitch / l and on where
the place lies; one free push decays as exp(-x/a) (cos(x/a) + sin(x/a)) with a = (4 EI / k)^(1/4) = 0.749 l.

A blade's coupling is not known to a point, so each coefficient is an interval, rounded outward to thousandths:
the hull over screw stiffness K from 3e5 to 1e9 N/m and thickness 0.6 to 1.0 mm (that is, over K / t^3 from 3e14
to 4.63e18 N/m^4) with E = 205 GPa and nu = 0.3, pitch 30 to 35 mm at l = 60 mm (pitch / l from 0.500 to 0.583),
blades of 8 zones and more, keys of one blade up to 1.5 times as stiff as one another. Dimensions and stiffness are
common practice without a source: where a blade is made differently, its coefficients must be measured.

One hull over all of it would let a uniform gap fall below 0.67 of itself, which no blade does. So every place
stands twice, once for soft keys (K / t^3 from 3e14 to 8.4e14) and once for stiff ones (5.6e14 and more); both must
hold. The ranges overlap by the factor 1.5. A uniform gap then keeps at worst 0.731 of itself inside the blade and
0.693 at its free ends. Keys farther away than four act through the fourth: its interval holds what they add as if
they stood where it stands. Keys beyond the end do not exist.

tests/outside/test_blade_line.py derives the coefficients anew with finite elements and holds the tables to them.
"""

from __future__ import annotations

from inksteward.model.calibration import BladeCoupling

POINTS = 8
"""Places a zone: every eighth of a pitch from the zone's edge; the fifth is the key tip."""
REACH = 4
"""A key acts on places up to so many zones away; so many zones at either end have rows of their own."""
LEAST_ZONES = 8

# One line a place: eight places of each of the zones 1 to 4 from the end, then of every zone farther in. Each pair
# is low:high in thousandths for the keys from four before the place's zone (or the first) to four behind it.
SOFT = """\
1437:1537 -667:-459 -38:116 -16:23 -3:2
1312:1398 -495:-325 -39:83 -12:18 -3:2
1187:1259 -322:-190 -40:51 -7:12 -2:2
1061:1119 -150:-56 -41:18 -2:7 -1:2
932:978 23:85 -47:-13 -2:5 -1:2
800:836 187:231 -56:-27 -7:9 -2:3
669:696 323:377 -82:-27 -13:13 -2:4
538:568 448:532 -101:-22 -18:15 -2:4
411:448 560:671 -110:-10 -23:15 -2:4 -1:1
290:337 654:788 -102:12 -28:12 -2:4 -1:2
183:237 724:874 -75:49 -35:6 -1:4 -1:2
94:151 766:923 -24:101 -42:-4 -3:4 -1:2
23:81 774:930 52:171 -49:-18 -5:6 -1:3
-26:29 745:890 155:259 -57:-27 -8:9 -2:3
-57:-7 686:811 278:361 -71:-27 -12:11 -2:4
-71:-30 603:703 390:469 -88:-22 -17:13 -2:4
-73:-41 505:582 491:590 -95:-10 -21:13 -2:4 -1:1
-68:-44 399:471 583:715 -89:12 -26:11 -2:4 -1:2
-62:-41 272:361 658:817 -65:48 -33:5 -1:4 -1:2
-54:-27 152:258 709:886 -17:100 -40:-5 -3:4 -1:2
-44:-14 53:168 728:911 55:170 -47:-18 -5:6 -1:3
-35:-3 -19:97 709:885 156:259 -56:-27 -8:9 -2:3
-27:4 -65:45 658:816 277:361 -71:-27 -12:11 -2:4
-20:9 -88:9 583:713 390:468 -88:-22 -17:13 -2:4
-15:10 -94:-13 491:589 491:589 -95:-10 -21:13 -2:4 -1:1
-11:10 -86:-25 390:468 583:714 -89:12 -26:11 -2:4 -1:2
-7:9 -70:-29 277:361 658:816 -65:48 -33:5 -1:4 -1:2
-4:7 -57:-29 156:259 709:885 -17:100 -40:-5 -3:4 -1:2
-2:5 -48:-18 55:170 728:911 55:170 -47:-18 -5:6 -1:3
0:4 -40:-5 -17:100 709:885 156:259 -56:-27 -8:9 -2:3
-1:4 -33:5 -65:48 658:816 277:361 -71:-27 -12:11 -2:4
-1:4 -26:10 -89:12 583:714 390:468 -88:-22 -17:13 -2:4
-2:4 -21:13 -95:-10 491:589 491:589 -95:-10 -21:13 -2:4 -1:1
-2:4 -17:13 -88:-22 390:468 583:714 -89:12 -26:11 -2:4 -1:2
-2:4 -12:11 -71:-27 277:361 658:816 -65:48 -33:5 -1:4 -1:2
-2:3 -8:9 -56:-27 156:259 709:885 -17:100 -40:-5 -3:4 -1:2
-1:3 -5:6 -47:-18 55:170 728:911 55:170 -47:-18 -5:6 -1:3
-1:2 -3:4 -40:-5 -17:100 709:885 156:259 -56:-27 -8:9 -2:3
-1:2 -1:4 -33:5 -65:48 658:816 277:361 -71:-27 -12:11 -2:4
-1:1 -2:4 -26:11 -89:12 583:714 390:468 -88:-22 -17:13 -2:4"""

STIFF = """\
1504:1611 -788:-574 37:210 -57:10 -3:17
1369:1459 -591:-418 20:158 -43:8 -2:13
1234:1307 -395:-263 4:106 -29:6 -2:9
1098:1155 -198:-106 -13:53 -15:5 -1:5
960:1001 -1:53 -33:1 -1:5 -1:1
819:847 189:218 -56:-36 0:14 -5:2
679:696 345:388 -100:-50 -2:27 -8:2
542:561 488:566 -137:-57 -5:37 -11:3
402:434 616:723 -160:-56 -8:43 -12:3 -1:4
275:316 723:852 -162:-41 -13:44 -12:4 -1:4
163:211 803:947 -140:-11 -18:38 -11:4 -1:3
70:122 849:999 -88:40 -28:24 -7:4 -1:2
-1:52 856:1001 -1:116 -40:1 -1:6 -1:1
-47:1 819:948 123:217 -56:-32 0:10 -3:2
-73:-31 746:849 274:336 -73:-44 -2:19 -6:2
-80:-49 647:718 406:462 -104:-49 -4:28 -9:2
-75:-55 531:582 528:608 -129:-47 -7:35 -10:3 -1:3
-68:-51 404:455 640:760 -138:-33 -12:37 -10:3 -1:3
-57:-39 249:329 733:886 -124:-4 -18:33 -9:4 -1:3
-44:-18 110:213 795:970 -80:46 -27:22 -6:4 -1:2
-31:1 -1:115 818:1001 -1:120 -40:1 -1:6 -1:1
-20:13 -74:42 795:967 118:220 -55:-30 0:10 -3:2
-12:20 -114:-7 732:879 267:337 -73:-44 -2:19 -6:2
-7:22 -127:-36 639:751 406:463 -102:-49 -4:28 -8:2
-3:20 -118:-49 527:597 527:600 -127:-47 -7:34 -10:3 -1:3
-1:16 -95:-51 406:463 639:754 -136:-33 -12:37 -10:3 -1:3
0:11 -71:-45 265:337 732:881 -123:-4 -18:33 -9:4 -1:3
1:7 -55:-28 117:220 794:968 -80:46 -27:22 -6:4 -1:2
-1:5 -40:1 -1:120 817:1001 -1:120 -40:1 -1:6 -1:1
-4:4 -27:20 -79:46 794:968 118:220 -55:-30 0:10 -3:2
-6:3 -17:31 -122:-4 732:881 266:337 -73:-44 -2:19 -6:2
-6:3 -11:34 -135:-33 639:753 406:463 -102:-49 -4:28 -8:2
-10:3 -7:34 -127:-47 527:599 527:599 -127:-47 -7:34 -10:3 -1:3
-8:2 -4:28 -102:-49 406:463 639:753 -136:-33 -12:37 -10:3 -1:3
-6:2 -2:19 -73:-44 266:337 732:881 -123:-4 -18:33 -9:4 -1:3
-3:2 0:10 -55:-30 118:220 794:968 -80:46 -27:22 -6:4 -1:2
-1:1 -1:6 -40:1 -1:120 817:1001 -1:120 -40:1 -1:6 -1:1
-1:2 -6:4 -27:22 -80:46 794:968 118:220 -55:-30 0:10 -3:2
-1:3 -9:4 -18:33 -123:-4 732:881 266:337 -73:-44 -2:19 -6:2
-1:3 -10:3 -12:37 -136:-33 639:753 406:463 -102:-49 -4:28 -8:2"""


_Row = tuple[tuple[int, int], ...]


def _rows(table: str) -> tuple[_Row, ...]:
    pairs = [[pair.split(":") for pair in line.split()] for line in table.split("\n")]
    return tuple(tuple((int(low), int(high)) for low, high in row) for row in pairs)


def segmented(blade_id: str, zones: int) -> BladeCoupling:
    """Identity: every key acts on its own zone alone."""
    return BladeCoupling(blade_id, tuple((zone, ((zone, 1000, 1000),)) for zone in range(zones)))


def spring(blade_id: str, zones: int) -> BladeCoupling:
    """One continuous steel blade: places along it from end to end, for soft keys and again for stiff ones.

    Raises ValueError below 8 zones, where both ends act on one place.
    """
    if zones < LEAST_ZONES:
        raise ValueError(f"zones: {zones}: expected {LEAST_ZONES} or more for a spring blade")
    tables = (_rows(SOFT), _rows(STIFF))
    return BladeCoupling(
        blade_id,
        tuple(_place(rows, place, zones) for rows in tables for place in range(POINTS * zones + 1)),
    )


def _place(rows: tuple[_Row, ...], place: int, zones: int) -> tuple[int, tuple[tuple[int, int, int], ...]]:
    end = POINTS * zones
    mirrored = 2 * place > end
    zone, point = divmod(end - place if mirrored else place, POINTS)
    first = max(0, zone - REACH)
    entries = [
        (zones - 1 - key if mirrored else key, low, high)
        for key, (low, high) in enumerate(rows[POINTS * min(zone, REACH) + point], first)
        if key < zones
    ]
    return min(place // POINTS, zones - 1), tuple(sorted(entries))
