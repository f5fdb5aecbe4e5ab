"""Write counts.csv: invented scans of patrolling ants, 8 blocks, 5 plants a block, 9 scans a plant."""

from pathlib import Path

import numpy as np

rng = np.random.default_rng(20_031_017)
lines = ["block,plant,hour,tip,after,length_m,ants"]
for block in range(8):
    of_block = rng.normal(0, 0.3)
    for plant in range(5):
        own = of_block + rng.normal(0, 0.4)
        for _ in range(9):
            hour = round(float(rng.uniform(0, 24)), 3)
            tip, after, length = int(rng.random() < 0.5), int(rng.random() < 0.3), float(rng.choice([0.3, 0.5, 0.9]))
            angle = 2 * np.pi * hour / 24
            log_mean = 1.6 + own + 0.5 * tip + 0.8 * after - 0.5 * np.cos(angle) + 0.2 * np.sin(angle)
            log_mean += 0.15 * np.cos(2 * angle) + np.log(length)
            ants = int(rng.poisson(np.exp(log_mean) * rng.gamma(2.5, 1 / 2.5)))
            lines.append(f"{block},{block * 5 + plant},{hour},{tip},{after},{length},{ants}")
Path(__file__).with_name("counts.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
