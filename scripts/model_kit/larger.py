"""Six more roofs of the invented village: mono-pitch, mansard, flat, terrace, butterfly, forty planes.

As in the cottages: blocks first, and beside them the answers by school geometry.
"""

from __future__ import annotations

from fractions import Fraction
from math import sqrt

from .house import House, block, cut, fr, greatest, least, level, rectangle, rising
from .solid import Block, raised


def mono_pitch() -> House:
    """Workshop 7 x 12 m, 3:12 falling west, hollow, with a rooflight opening without a curb."""
    roof = least(rising("+x", "1/4", "-0.3", 3))
    under = raised(roof, fr("-0.2"))
    light = rectangle(3, "4.2", 4, 6)
    house = House(
        "mono-pitch",
        "mono-pitch workshop with an open rooflight",
        "Coppertoft Yard",
        "m",
        "m",
        {
            "workshop": [
                block(rectangle(0, 7, 0, 12), level(0), raised(roof, fr("-0.1"))),
                block(rectangle("-0.3", "7.3", "-0.3", "12.3"), under, roof),
                cut(rectangle("0.2", "6.8", "0.2", "11.8"), level("0.15"), under),
                cut(light, level(1), level(6)),
            ]
        },
        offset=(fr(482150), fr(5361240), fr(212)),
    )
    steep = sqrt(1 + 1 / 16)
    house.plane("roof", 1 / 4, "-x", 7.6 * 12.6 - 1.2 * 2)
    house.edge("eave", 12.6, drop=3)
    house.edge("top", 12.6, drop="4.9")
    house.edge("rake", 7.6 * steep, 2, drop=3)
    house.edge("opening", 2, where="west side", drop=3 + Fraction(33, 40) - fr("0.15"))
    house.edge("opening", 2, where="east side", drop=3 + Fraction(45, 40) - fr("0.15"))
    house.edge("opening", 1.2 * steep, 2, where="along the slope", drop=3 + Fraction(33, 40) - fr("0.15"))
    # Slab, ring of walls (mean underside over it is the one at the middle, x = 3.5), floor.
    house.volume(
        "workshop", (7.6 * 12.6 - 2.4) * 0.2 + (7 * 12 - 6.6 * 11.6) * (3 + 3.8 / 4 - 0.2) + 6.6 * 11.6 * 0.15
    )
    return house


def mansard() -> House:
    """12 x 10 m, lower slopes 5:2 for 1.2 m in plan, upper slopes 1:4 up to a short ridge."""
    lower, upper = fr("5/2"), fr("1/4")
    sides = (("+x", "-0.3", "0.9"), ("-x", "12.3", "11.1"), ("+y", "-0.3", "0.9"), ("-y", "10.3", "9.1"))
    roof = least(
        *(rising(way, lower, line, 6) for way, line, _ in sides),
        *(rising(way, upper, line, 9) for way, _, line in sides),
    )
    house = House(
        "mansard",
        "mansard on four sides",
        "12 Larkbarrow Lane",
        "m",
        "m",
        {
            "house": [
                block(rectangle(0, 12, 0, 10), level(0), level("5.8")),
                block(rectangle("-0.3", "12.3", "-0.3", "10.3"), level("5.7"), roof),
            ]
        },
    )
    for name, way in (("south", "-y"), ("north", "+y")):
        house.plane(f"{name}, lower", 5 / 2, way, (12.6 + 10.2) / 2 * 1.2)
        house.plane(f"{name}, upper", 1 / 4, way, (10.2 + 2.0) / 2 * 4.1)
    for name, way in (("east", "+x"), ("west", "-x")):
        house.plane(f"{name}, lower", 5 / 2, way, (10.6 + 8.2) / 2 * 1.2)
        house.plane(f"{name}, upper", 1 / 4, way, 8.2 / 2 * 4.1)
    house.edge("eave", 12.6, 2, drop=6)
    house.edge("eave", 10.6, 2, drop=6)
    house.edge("break", 10.2, 2)
    house.edge("break", 8.2, 2)
    house.edge("hip", 1.2 * sqrt(2 + 2.5**2), 4, where="lower")
    house.edge("hip", 4.1 * sqrt(2 + 0.25**2), 4, where="upper")
    house.edge("ridge", 2.0)
    middle = 11.4 * 9.4
    house.volume(
        "house",
        12 * 10 * 5.7
        + 12.6 * 10.6 * 0.3
        + 3 / 6 * (12.6 * 10.6 + 4 * middle + 10.2 * 8.2)
        + 8.2 * (4.1 / 4) / 6 * (2 * 10.2 + 2.0),
    )
    return house


def flat() -> House:
    """Hall 100 x 60 ft, roof at 22 ft, parapet 18 in high, four open skylights with 9 in curbs."""
    blocks: list[Block] = [
        block(rectangle(0, 100, 0, 60), level(0), level("23.5")),
        cut(rectangle(1, 99, 1, 59), level(22), level(30)),
        cut(rectangle(1, 99, 1, 59), level("0.5"), level("20.5")),
    ]
    corners = [(x, y) for x in (20, 72) for y in (16, 40)]
    for x, y in corners:
        edge = fr("0.5")
        blocks.append(
            block(rectangle(x - edge, x + 8 + edge, y - edge, y + 4 + edge), level(21), level("22.75"))
        )
        blocks.append(cut(rectangle(x, x + 8, y, y + 4), level(10), level(30)))
    house = House(
        "flat",
        "flat roof with parapet and skylight openings with curbs",
        "Windlestrae Works",
        "ft",
        "ft",
        {"hall": blocks},
    )
    house.plane("roof", 0, "", 98 * 58 - 4 * 9 * 5)
    house.plane("parapet top", 0, "", 100 * 60 - 98 * 58, top=True)
    for number in range(1, 5):
        house.plane(f"curb top {number}", 0, "", 9 * 5 - 8 * 4, top=True)
    house.edge("upstand", 98, 2, where="foot of the parapet")
    house.edge("upstand", 58, 2, where="foot of the parapet")
    house.edge("flat", 100, 2, where="outer edge of the parapet top", drop="23.5", top=True)
    house.edge("flat", 60, 2, where="outer edge of the parapet top", drop="23.5", top=True)
    house.edge("upstand", 9, 8, where="foot of a curb")
    house.edge("upstand", 5, 8, where="foot of a curb")
    house.edge("opening", 8, 8, where="inner edge of a curb top", drop="22.25", top=True)
    house.edge("opening", 4, 8, where="inner edge of a curb top", drop="22.25", top=True)
    house.volume(
        "hall",
        100 * 60 * 23.5 - 98 * 58 * 1.5 - 98 * 58 * 20 + 4 * (9 * 5 * 0.75) - 4 * 8 * 4 * (0.75 + 1.5),
    )
    house.notes.append("The glass is left out on purpose: it carries nobody.")
    house.notes.append("Parapet and curb tops are level faces 1 ft and 6 in wide, not places of work.")
    return house


def terrace() -> House:
    """Four houses of 6 m stepping down 0.6 m each along ground that falls 1:10; ground in the model."""
    s = fr("3/5")
    blocks: list[Block] = []
    for i in range(4):
        eave = fr("5.4") - fr("0.6") * i
        roof = least(rising("+y", s, "-0.4", eave), rising("-y", s, "9.4", eave))
        x0, x1 = fr(6 * i), fr(6 * i + 6)
        blocks.append(block(rectangle(x0, x1, 0, 9), level(-5), raised(roof, fr("-0.1"))))
        blocks.append(
            block(
                rectangle(
                    x0 - (fr("0.3") if i == 0 else 0), x1 + (fr("0.3") if i == 3 else 0), "-0.4", "9.4"
                ),
                raised(roof, fr("-0.3")),
                roof,
            )
        )
    ground = least(rising("-x", "1/10", 0, 0))
    house = House(
        "terrace",
        "stepped terrace on sloping ground",
        "1 to 7 Tumblers Steep",
        "m",
        "m",
        {
            "terrace": blocks,
            "ground": [block(rectangle(-15, 39, -15, 24), level(-8), ground)],
        },
    )
    steep = sqrt(1.36)
    for i, width in enumerate((6.3, 6, 6, 6.3)):
        house.plane(f"house {i + 1}, south", 3 / 5, "-y", width * 4.9)
        house.plane(f"house {i + 1}, north", 3 / 5, "+y", width * 4.9)
        # the ground is highest at the upper end of each eave
        house.edge("eave", width, 2, where=f"house {i + 1}", drop="5.37" if i == 0 else "5.4")
        house.edge("ridge", width, where=f"house {i + 1}")
    house.edge("rake", 4.9 * steep, 2, where="upper end of the row", drop="5.37")
    house.edge("rake", 4.9 * steep, 2, where="lower end of the row", drop=fr("3.6") + fr("2.43"))
    house.edge("rake", 4.9 * steep, 6, where="steps between houses, over the lower roof", drop="0.6")
    house.edge("abutment", 4.5 * steep, 6, where="lower roof along the wall of the step")
    house.volume("ground", 54 * 39 * (8 - 1.2))
    house.notes.append("At a step the lower roof's overhang, 0.4 m in plan, ends free below the upper one.")
    house.notes.append("Ground: z = -x / 10, a closed slab that the walls stand in.")
    return house


def butterfly() -> House:
    """Pavilion, two planes falling to a level valley: 1:5 over 5 m and 1:4 over 7 m."""
    roof = greatest(rising("-x", "1/5", 5, "3.2"), rising("+x", "1/4", 5, "3.2"))
    house = House(
        "butterfly",
        "butterfly roof, concave",
        "Mothwing Pavilion, Windlestrae Green",
        "m",
        "cm",
        {
            "pavilion": [
                block(rectangle("0.5", "11.5", "0.5", "8.5"), level(0), raised(roof, fr("-0.1"))),
                block(rectangle(0, 12, 0, 9), raised(roof, fr("-0.25")), roof),
            ]
        },
        turn=(Fraction(12, 13), Fraction(-5, 13)),
    )
    house.plane("west", 1 / 5, "+x", 5 * 9)
    house.plane("east", 1 / 4, "-x", 7 * 9)
    house.edge("valley", 9)
    house.edge("top", 9, where="west", drop="4.2")
    house.edge("top", 9, where="east", drop="4.95")
    house.edge("rake", 5 * sqrt(1.04), 2, where="west", drop="3.2")
    house.edge("rake", 7 * sqrt(1.0625), 2, where="east", drop="3.2")
    # Slab; body below it: west 4.5 m wide, mean underside at x = 2.75, east 6.5 m, at x = 8.25.
    west, east = 3.2 + 2.25 / 5 - 0.25, 3.2 + 3.25 / 4 - 0.25
    house.volume("pavilion", 12 * 9 * 0.25 + 8 * (4.5 * west + 6.5 * east))
    return house


def forty_planes() -> House:
    """Long hip roof, six hipped wings, nine dormers: 4 + 18 + 18 = 40 planes."""
    s, soffit = fr("3/4"), fr("5.7")
    ends = (rising("+x", s, 0, 6), rising("-x", s, 48, 6))
    main = least(*ends, rising("+y", s, 0, 6), rising("-y", s, 14, 6))
    blocks = [
        block(rectangle("0.4", "47.6", "0.4", "13.6"), level(0), level("5.8")),
        block(rectangle(0, 48, 0, 14), level(soffit), main),
    ]
    for x in (5, 20, 35):
        for front, way, back, wall in ((-6, "+y", 4, "-5.6"), (20, "-y", 10, "19.6")):
            wing = least(rising("+x", s, x, 6), rising("-x", s, x + 8, 6), rising(way, s, front, 6))
            low, high = sorted((fr(front), fr(back)))
            low_wall, high_wall = sorted((fr(wall), fr(back)))
            blocks.append(
                block(rectangle(x + fr("0.4"), x + fr("7.6"), low_wall, high_wall), level(0), level("5.8"))
            )
            blocks.append(block(rectangle(x, x + 8, low, high), level(soffit), wing))
    # Dormer: (way the plane under it falls, middle of the eave line it looks over, distance from there)
    seats = [("-y", fr("16.5"), fr(0), 2), ("-y", fr("31.5"), fr(0), 2)]
    seats += [("+y", fr("16.5"), fr(14), 2), ("+y", fr("31.5"), fr(14), 2)]
    seats += [("-x", fr(0), fr(7), 2), ("+x", fr(48), fr(7), 2)]
    seats += [("-y", fr(x), fr(-6), fr("1.2")) for x in (9, 24, 39)]
    half, deep = fr("0.9"), fr("2.2")  # half the width; front to where the dormer's ridge ends
    for falls, x, y, away in seats:
        ridge = 6 + s * (fr(away) + deep)
        near, far = sorted((fr(away), fr(away) + deep))
        if falls[1] == "y":
            inward = 1 if falls == "-y" else -1
            a, b = sorted((y + inward * near, y + inward * far))
            outline = rectangle(x - half, x + half, a, b)
            top = least(rising("+x", "5/6", x, ridge), rising("-x", "5/6", x, ridge))
        else:
            inward = 1 if falls == "-x" else -1
            a, b = sorted((x + inward * near, x + inward * far))
            outline = rectangle(a, b, y - half, y + half)
            top = least(rising("+y", "5/6", y, ridge), rising("-y", "5/6", y, ridge))
        blocks.append(block(outline, level(6), top))
    house = House(
        "forty-planes",
        "long hip roof with six wings and nine dormers, 40 planes",
        "The Old Ropewalk, Windlestrae Green",
        "m",
        "m",
        {"house": blocks},
    )
    # A dormer's plan is a gabled pentagon: its eaves are 1.2 m long, its ridge 2.2 m.
    dormer = 1.8 * (1.2 + 2.2) / 2
    steep = 3 / 4
    for name, way in (("south", "-y"), ("north", "+y")):
        house.plane(name, steep, way, (48 + 34) / 2 * 7 - 3 * 8 * 4 / 2 - 2 * dormer)
    for name, way in (("west", "-x"), ("east", "+x")):
        house.plane(name, steep, way, 14 * 7 / 2 - dormer)
    for number in range(1, 7):
        side, way, hole = ("south", "-y", dormer) if number <= 3 else ("north", "+y", 0.0)
        house.plane(f"wing {number}, west", steep, "-x", 6 * 4)
        house.plane(f"wing {number}, east", steep, "+x", 6 * 4)
        house.plane(f"wing {number}, {side}", steep, way, 8 * 4 / 2 - hole)
    for number, (falls, *_) in enumerate(seats, start=1):
        ways = ("-x", "+x") if falls[1] == "y" else ("-y", "+y")
        for way in ways:
            house.plane(f"dormer {number}, {way}", 5 / 6, way, 0.9 * (1.2 + 2.2) / 2)
    house.edge("ridge", 48 - 14, where="main")
    house.edge("ridge", 6, 6, where="wing")
    house.edge("ridge", 2.2, 9, where="dormer")
    house.edge("hip", 7 * sqrt(2 + steep**2), 4, where="main")
    house.edge("hip", 4 * sqrt(2 + steep**2), 12, where="wing")
    house.edge("valley", 4 * sqrt(2 + steep**2), 12, where="wing")
    house.edge("valley", sqrt(0.9**2 + 1.0**2 + 0.75**2), 18, where="dormer")
    house.edge("eave", 14, 2, where="ends", drop=6)
    house.edge("eave", 5, 4, where="main, outside the wings", drop=6)
    house.edge("eave", 7, 4, where="main, between the wings", drop=6)
    house.edge("eave", 6, 12, where="wing sides", drop=6)
    house.edge("eave", 8, 6, where="wing fronts", drop=6)
    house.edge("eave", 1.2, 18, where="dormer")
    house.edge("rake", 0.9 * sqrt(1 + (5 / 6) ** 2), 18, where="dormer")
    return house
