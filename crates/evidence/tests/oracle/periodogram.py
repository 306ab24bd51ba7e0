"""Periodograms and false-alarm levels by astropy, with the samples that they were made from, as lines of numbers."""

import numpy as np
from astropy.timeseries import LombScargle


def show(x, y, weight, frequency):
    search = LombScargle(x, y, np.asarray(weight) ** -0.5)
    # The textbook sums, frequency by frequency.
    power = search.power(frequency, method="slow")
    best = power.max()
    single = search.false_alarm_probability(best, method="single", maximum_frequency=frequency[-1])
    baluev = search.false_alarm_probability(best, method="baluev", maximum_frequency=frequency[-1])
    # The level is for the end of the library's own grid.
    highest = search.autofrequency(maximum_frequency=frequency[-1]).max()
    for row in (x, y, weight, [frequency[0], frequency[1] - frequency[0], len(frequency)], power, [single, baluev, highest]):
        print(" ".join(repr(float(value)) for value in row))


rng = np.random.default_rng(1)
x = np.sort(rng.uniform(0, 60, 300))
show(x, 0.3 * np.sin(2 * np.pi * 4.2 * x) + rng.normal(0, 0.3, 300), np.ones(300), 0.1 + 0.002 * np.arange(3000))
# Unequal weights, a mean far from zero, a gap, and a few samples far from the rest.
x = np.concatenate([np.arange(200) * 0.1, 500 + np.cumsum(rng.uniform(0, 0.4, 150)), [900.0, 900.5]])
y = 40 + rng.normal(0, 1, len(x)) + 0.8 * np.cos(2 * np.pi * 0.46 * x)
show(x, y, rng.uniform(0.2, 3, len(x)), 0.01 + 0.0007 * np.arange(1500))
# Few samples.
x = np.sort(rng.uniform(0, 10, 12))
show(x, rng.normal(0, 1, 12), np.ones(12), 0.05 + 0.01 * np.arange(150))
