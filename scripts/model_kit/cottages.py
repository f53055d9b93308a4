"""Five pitched roofs of the invented village: gable, hip, L with valley, dormers, T-plan.

Each function gives the blocks and, beside them, what follows from the drawing by school geometry. The
answers use no result of the construction, so the two can be compared.
"""

from __future__ import annotations

from fractions import Fraction
from math import sqrt

from .house import House, block, fr, least, level, rectangle, rising
from .solid import raised


def gable() -> House:
    """12 x 8 m, 6:12, eaves 0.5 m and verges 0.4 m over the walls, slab 0.25 m thick."""
    roof = least(rising("+y", "1/2", "-0.5", 3), rising("-y", "1/2", "8.5", 3))
    house = House(
        "gable",
        "gable with overhang and slab thickness",
        "1 Thimbleweed Row",
        "m",
        "m",
        {
            "house": [
                block(rectangle(0, 12, 0, 8), level(0), raised(roof, fr("-0.1"))),
                block(rectangle("-0.4", "12.4", "-0.5", "8.5"), raised(roof, fr("-0.25")), roof),
            ]
        },
    )
    house.plane("south", 1 / 2, "-y", 12.8 * 4.5)
    house.plane("north", 1 / 2, "+y", 12.8 * 4.5)
    house.edge("ridge", 12.8)
    house.edge("eave", 12.8, 2, drop=3)
    house.edge("rake", 4.5 * sqrt(1.25), 4, drop=3)
    house.volume("house", 12.8 * 9 * 0.25 + 12 * 8 * (3 + 5) / 2)
    return house


def hip() -> House:
    """42 x 30 ft, 6:12, boxed eaves 1 ft 6 in wide and 6 in deep, turned by the 3-4-5 triangle."""
    roof = least(
        rising("+y", "1/2", "-1.5", 10),
        rising("-y", "1/2", "31.5", 10),
        rising("+x", "1/2", "-1.5", 10),
        rising("-x", "1/2", "43.5", 10),
    )
    house = House(
        "hip",
        "hip roof with boxed eaves",
        "2 Thimbleweed Row",
        "ft",
        "ft",
        {
            "house": [
                block(rectangle(0, 42, 0, 30), level(0), level("9.75")),
                block(rectangle("-1.5", "43.5", "-1.5", "31.5"), level("9.5"), roof),
            ]
        },
        turn=(Fraction(4, 5), Fraction(3, 5)),
    )
    half = 33 / 2
    house.plane("south", 1 / 2, "-y", (45 + 12) / 2 * half)
    house.plane("north", 1 / 2, "+y", (45 + 12) / 2 * half)
    house.plane("east", 1 / 2, "+x", 33 / 2 * half)
    house.plane("west", 1 / 2, "-x", 33 / 2 * half)
    house.edge("ridge", 45 - 33)
    house.edge("hip", half * sqrt(1 + 1 + 1 / 4), 4)
    house.edge("eave", 45, 2, drop=10)
    house.edge("eave", 33, 2, drop=10)
    house.volume("house", 42 * 30 * 9.5 + 45 * 33 * 0.5 + 33 * (half / 2) / 6 * (2 * 45 + 12))
    return house


def l_valley() -> House:
    """Two arms 8 m wide at a right angle, 7:10, one hip and one valley, gables at both ends."""
    s, thick, over = fr("0.7"), fr("0.3"), fr("-0.1")
    first = least(rising("+y", s, 0, "5.2"), rising("-y", s, "8.8", "5.2"), rising("-x", s, 16, "5.2"))
    second = least(rising("+x", s, "7.2", "5.2"), rising("-x", s, 16, "5.2"), rising("-y", s, "8.8", "5.2"))
    house = House(
        "l-valley",
        "L-plan with hip and valley",
        "3 Thimbleweed Row",
        "m",
        "m",
        {
            "house": [
                block(rectangle("0.4", "15.6", "0.4", "8.4"), level(0), raised(first, over)),
                block(rectangle("7.6", "15.6", "-6.6", "8.4"), level(0), raised(second, over)),
                block(rectangle(0, 16, 0, "8.8"), raised(first, -thick), first),
                block(rectangle("7.2", 16, -7, "8.8"), raised(second, -thick), second),
            ]
        },
        offset=(fr(5200), fr(3100), fr(40)),
    )
    house.plane("north", 0.7, "+y", (16 + 11.6) / 2 * 4.4)
    house.plane("east", 0.7, "+x", (15.8 + 11.4) / 2 * 4.4)
    house.plane("south, inner", 0.7, "-y", (7.2 + 11.6) / 2 * 4.4)
    house.plane("west, inner", 0.7, "-x", (7 + 11.4) / 2 * 4.4)
    house.edge("ridge", 11.6)
    house.edge("ridge", 11.4)
    house.edge("hip", 4.4 * sqrt(2 + 0.49))
    house.edge("valley", 4.4 * sqrt(2 + 0.49))
    for length in (16, 15.8, 7.2, 7):
        house.edge("eave", length, drop="5.2")
    house.edge("rake", 4.4 * sqrt(1.49), 4, drop="5.2")
    return house


def dormers() -> House:
    """14 x 9 m, 4:5, two gabled dormers to the south, a chimney to the north."""
    s = fr("0.8")
    roof = least(rising("+y", s, "-0.5", "4.5"), rising("-y", s, "9.5", "4.5"))
    blocks = [
        block(rectangle(0, 14, 0, 9), level(0), raised(roof, fr("-0.1"))),
        block(rectangle("-0.3", "14.3", "-0.5", "9.5"), raised(roof, fr("-0.3")), roof),
    ]
    for x in (fr("3.5"), fr("10.5")):
        top = least(rising("+x", "3/4", x, "7.5"), rising("-x", "3/4", x, "7.5"))
        wall, eave = fr("0.9"), fr("1.1")
        blocks += [
            block(rectangle(x - wall, x + wall, 1, 4), level(5), raised(top, fr("-0.05"))),
            block(rectangle(x - eave, x + eave, "0.8", 4), raised(top, fr("-0.15")), top),
        ]
    blocks.append(block(rectangle("6.5", "7.5", "5.2", "5.8"), level(5), level("9.6")))
    house = House(
        "dormers", "gable with dormers and chimney", "7 Larkbarrow Lane", "m", "mm", {"house": blocks}
    )
    # A dormer's roof meets the main one at y = 3.25 - 0.9375 |x| (tops) and 0.1875 lower (underside).
    hole = 2 * (0.9 * 2.25 - 0.9375 * 0.9**2 / 2) + 2 * 0.2 * 0.1875
    house.plane("south", 0.8, "-y", 14.6 * 5 - 2 * hole)
    house.plane("north", 0.8, "+y", 14.6 * 5 - 1.0 * 0.6)
    valley_foot = 3.25 - 0.9375 * 1.1
    for number in (1, 2):
        half = 1.1 * ((valley_foot - 0.8) + (3.25 - 0.8)) / 2
        house.plane(f"dormer {number}, east", 3 / 4, "+x", half)
        house.plane(f"dormer {number}, west", 3 / 4, "-x", half)
    house.plane("chimney top", 0, "", 1.0 * 0.6, top=True)
    house.edge("ridge", 14.6, where="main")
    house.edge("eave", 14.6, 2, where="main", drop="4.5")
    house.edge("rake", 5 * sqrt(1.64), 4, where="main", drop="4.5")
    house.edge("ridge", 3.25 - 0.8, 2, where="dormer")
    house.edge("valley", sqrt(1.1**2 + (0.9375 * 1.1) ** 2 + (0.75 * 1.1) ** 2), 4, where="dormer")
    house.edge("eave", valley_foot - 0.8, 4, where="dormer")
    house.edge("rake", 1.1 * 1.25, 4, where="dormer")
    house.notes.append("The eaves of the dormers hang over the main roof; their rakes end there too.")
    return house


def t_plan() -> House:
    """48 x 24 ft roof, 7:12, a wing 16 ft wide with a lower ridge; the chimney is a solid of its own."""
    s, thick = fr("7/12"), fr("3/4")
    main = least(rising("+y", s, 0, 12), rising("-y", s, 24, 12))
    wing = least(rising("+x", s, 17, 12), rising("-x", s, 33, 12))
    house = House(
        "t-plan",
        "T-plan with two valleys, chimney overlapping the roof",
        "9 Larkbarrow Lane",
        "ft",
        "in",
        {
            "house": [
                block(rectangle("1.25", "46.75", "1.25", "22.75"), level(0), raised(main, fr("-0.25"))),
                block(rectangle("18.25", "31.75", "-16.75", 8), level(0), raised(wing, fr("-0.25"))),
                block(rectangle(0, 48, 0, 24), raised(main, -thick), main),
                block(rectangle(17, 33, -18, 8), raised(wing, -thick), wing),
            ],
            "chimney": [block(rectangle(36, "38.5", "10.75", "13.25"), level(10), level("22.5"))],
        },
    )
    # The chimney stands astride the ridge: 2.5 x 1.25 ft of each main plane lie under it.
    under = 2.5 * 1.25
    house.plane("north", 7 / 12, "+y", 48 * 12 - under)
    house.plane("south", 7 / 12, "-y", 48 * 12 - 16 * 8 / 2 - under)
    house.plane("wing, east", 7 / 12, "+x", (18 + 26) / 2 * 8)
    house.plane("wing, west", 7 / 12, "-x", (18 + 26) / 2 * 8)
    house.plane("chimney top", 0, "", 2.5 * 2.5, top=True)
    house.edge("ridge", 36, where="main, west of the chimney")
    house.edge("ridge", 48 - 38.5, where="main, east of the chimney")
    house.edge("ridge", 18 + 8, where="wing")
    house.edge("valley", 8 * sqrt(2 + (7 / 12) ** 2), 2)
    house.edge("eave", 48, where="north", drop=12)
    house.edge("eave", 17, where="south west", drop=12)
    house.edge("eave", 15, where="south east", drop=12)
    house.edge("eave", 18, 2, where="wing", drop=12)
    house.edge("rake", 12 * sqrt(1 + (7 / 12) ** 2), 4, where="main", drop=12)
    house.edge("rake", 8 * sqrt(1 + (7 / 12) ** 2), 2, where="wing", drop=12)
    house.volume("chimney", 2.5 * 2.5 * 12.5)
    house.notes.append(
        "The chimney overlaps the roof: areas are of what shows, and the mesh carries 2.5 x 1.25 ft in plan "
        "more of each main plane, hidden in the chimney."
    )
    return house
