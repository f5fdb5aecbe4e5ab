"""Make panel.csv: an invented panel of 400 subjects in four states, seen at irregular visits. Usage: python simulate.py"""

import csv

import numpy as np

MOVES = {(0, 1): 0.5, (0, 3): 0.06, (1, 0): 0.4, (1, 2): 0.5, (1, 3): 0.08, (2, 1): 0.25, (2, 3): 0.35}
ON_DOSE = {(0, 1): 0.6, (1, 2): -0.4, (2, 3): 0.3}
ON_GROUP = {(0, 1): -0.5, (1, 0): 0.5}

rng = np.random.default_rng(4711)
rows = []
for subject in range(1, 401):
    cluster, group = subject % 20, subject % 2
    frailty = 0.3 * np.random.default_rng(cluster).normal()
    time, state, entered = 0.0, int(rng.choice(3, p=[0.7, 0.2, 0.1])), None
    visit = 0.0
    dose = round(float(rng.uniform(0, 2)), 1)
    for number in range(int(rng.integers(4, 12))):
        if number:
            visit = round(visit + float(rng.choice([0.25, 0.5, 0.75, 1.0])), 2)
        while entered is None and time < visit:
            out = [
                (b, np.exp(np.log(rate) + dose * ON_DOSE.get((a, b), 0.0) + group * ON_GROUP.get((a, b), 0.0) + frailty))
                for (a, b), rate in MOVES.items()
                if a == state
            ]
            total = sum(rate for _, rate in out)
            wait = float(rng.exponential(1.0 / total))
            if time + wait >= visit:
                time = visit
                break
            time += wait
            state = int(rng.choice([b for b, _ in out], p=[rate / total for _, rate in out]))
            entered = time if state == 3 else None
        hidden = number and state != 3 and rng.random() < 0.15
        code = (99 if state == 0 or rng.random() < 0.5 else 98) if hidden else state + 1
        if code == 98 and state == 0:
            code = 99
        exact = round(entered, 4) if entered is not None else visit
        rows.append([subject, cluster, visit, exact, state + 1, code, group, dose])
        if state == 3:
            break
        dose = round(float(np.clip(dose + rng.normal(0, 0.3), 0, 2)), 1)
with open("panel.csv", "w", newline="") as file:
    writer = csv.writer(file, lineterminator="\n")
    writer.writerow(["subject", "cluster", "visit", "exact", "state", "seen", "group", "dose"])
    writer.writerows(rows)
