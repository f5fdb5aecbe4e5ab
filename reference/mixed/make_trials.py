"""Write trials.csv: an invented nested trial (plants in blocks, visited in rounds) for comparing mixed models. usage: make_trials.py"""

import csv
import pathlib

import numpy as np

rng = np.random.default_rng(7119)
blocks, plants, rounds = 8, 9, 4
block_effect = rng.normal(0, 0.6, blocks)
round_effect = rng.normal(0, 0.4, rounds)
rows = []
for block in range(blocks):
    for number in range(plants):
        plant = block * plants + number
        treated = (number + block) % 2
        effect = rng.normal(0, 0.7)
        slope = rng.normal(0, 0.5)
        light = round(float(rng.beta(2, 3)), 3)
        for visit in range(rounds):
            eta = -0.8 + 0.7 * treated + 0.9 * (light - 0.4) + effect + block_effect[block] + round_effect[visit]
            mean = 1 / (1 + np.exp(-eta))
            precision = 7.0
            chance = rng.beta(mean * precision, (1 - mean) * precision)
            trials = int(rng.integers(4, 15))
            hits = int(rng.binomial(trials, chance))
            proportion = round(float(np.clip(chance, 1e-4, 1 - 1e-4)), 5)
            latent = eta + rng.logistic()
            damage = 1 + sum(latent > cut for cut in (-1.6, -0.4, 0.7, 2.0))
            count = int(rng.poisson(rng.gamma(2.0, np.exp(0.6 + 0.5 * eta) / 2.0)))
            height = round(20 + 3 * visit + 2.5 * treated * visit / 3 + 4 * effect + 2 * slope * visit
                           + 3 * block_effect[block] + rng.normal(0, 1.5), 2)
            rows.append((block, plant, visit, treated, light, trials, hits, proportion, damage, count, height))
with open(pathlib.Path(__file__).with_name("trials.csv"), "w", newline="") as file:
    writer = csv.writer(file, lineterminator="\n")
    writer.writerow("block plant visit treated light trials hits proportion damage count height".split())
    writer.writerows(rows)
