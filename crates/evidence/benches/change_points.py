"""The reference library on the series of the benchmark: reads it from standard input, prints seconds and changes."""

import sys
import time

import numpy as np
import ruptures

data = np.frombuffer(sys.stdin.buffer.read(), dtype="<f8")
penalty, values = data[0], data[1:]
began = time.perf_counter()
found = ruptures.Pelt(model="l2", min_size=1, jump=1).fit(values).predict(pen=penalty)
print(time.perf_counter() - began)
print(" ".join(str(at) for at in found[:-1]))
