"""Draw an invented pattern: 140 nests of three ants in a plot with a pond, some of them in clumps."""

import numpy as np

RINGS = (
    [(2.0, 1.0), (31.5, -3.0), (58.0, 6.5), (63.0, 27.0), (51.0, 33.5), (54.5, 47.0), (30.0, 52.5), (6.0, 44.0), (-4.0, 21.0)],
    [(22.0, 17.0), (33.0, 15.5), (36.5, 24.0), (27.0, 29.0), (20.5, 24.5)],
)


def inside(x: float, y: float) -> bool:
    """Tell by the even-odd rule whether a point is in the plot and not in the pond."""
    hit = False
    for ring in RINGS:
        for (ax, ay), (bx, by) in zip(ring, ring[1:] + ring[:1]):
            if (ay > y) != (by > y) and x < ax + (y - ay) * (bx - ax) / (by - ay):
                hit = not hit
    return hit


def main() -> None:
    """Write window.csv and points.csv."""
    rng = np.random.default_rng(20261125)
    rows = []
    while len(rows) < 140:
        if rows and rng.random() < 0.35:
            x, y, m = rows[rng.integers(len(rows))]
            x, y = x + 2.5 * rng.standard_normal(), y + 2.5 * rng.standard_normal()
        else:
            x, y, m = rng.uniform(-4, 63), rng.uniform(-3, 53), "abc"[rng.choice(3, p=[0.5, 0.3, 0.2])]
        if inside(x, y):
            rows.append((round(x, 4), round(y, 4), m))
    with open("points.csv", "w", encoding="utf-8") as out:
        out.write("x,y,ant\n" + "".join(f"{x},{y},{m}\n" for x, y, m in rows))
    with open("window.csv", "w", encoding="utf-8") as out:
        out.write("ring,x,y\n" + "".join(f"{k},{x},{y}\n" for k, r in enumerate(RINGS, 1) for x, y in r))


main()
