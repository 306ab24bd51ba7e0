"""Change points by ruptures, with the series they were found in: lines of values, [penalty, least], changes, [cost]."""

import numpy as np
import ruptures


def show(values, penalty, least):
    # `jump=1`: every place is looked at. The library's pruning is exact for segments of any length (least = 1).
    search = ruptures.Pelt(model="l2", min_size=least, jump=1).fit(values)
    found = search.predict(pen=penalty)
    cost = search.cost.sum_of_costs(found) + penalty * (len(found) - 1)
    for row in (values, [penalty, least], found[:-1], [cost]):
        print(" ".join(repr(float(value)) for value in row))


# The published pattern: 50 zeros, 50 threes, noise 0.5.
rng = np.random.default_rng(2)
show(np.repeat([0.0, 3.0], 50) + rng.normal(0, 0.5, 100), 2 * 0.25 * np.log(100), 1)
for seed, n, changes in [(3, 250, 7), (4, 300, 25), (5, 100, 0), (6, 300, 60)]:
    rng = np.random.default_rng(seed)
    at = np.sort(rng.choice(np.arange(1, n), changes, replace=False))
    level = np.cumsum(np.isin(np.arange(n), at) * rng.normal(0, 2, n))
    values = 1000 + level + rng.normal(0, 0.7, n)
    for penalty in [2 * 0.49 * np.log(n), 0.3]:
        for least in [1, 5]:
            show(values, penalty, least)
