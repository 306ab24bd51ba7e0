"""The reference library on the samples of the benchmark: reads them from standard input, prints seconds and powers."""

import sys
import time

import numpy as np
from astropy.timeseries import LombScargle

data = np.frombuffer(sys.stdin.buffer.read(), dtype="<f8")
n, m, start, step = int(data[0]), int(data[1]), data[2], data[3]
x, y, weight = data[4 : 4 + n], data[4 + n : 4 + 2 * n], data[4 + 2 * n :]
search = LombScargle(x, y, weight**-0.5)
frequency = start + step * np.arange(m)


def fast():
    return search.power(frequency, method="fast", assume_regular_frequency=True)


best = np.inf
for _ in range(7):
    began = time.perf_counter()
    power = fast()
    best = min(best, time.perf_counter() - began)
print(best)
print(" ".join(repr(float(p)) for p in power))
