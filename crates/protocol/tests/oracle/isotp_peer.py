"""can-isotp, the general-purpose ISO 15765-2 library, as a partner that is told the time.

Reads lines, answers each with one line:
  new MODE TX RX BYTE_TX BYTE_RX STMIN BLOCK PADDING FRAME FD -> ok   (numbers; PADDING -1: none)
  send HEX                                                    -> ok
  step NOW_NS [HEX ...]  frames that have come                -> tokens: t:HEX (frame to send), r:HEX (message received),
                                                                 e:NAME (error), n:NS (wants to be called again after)
"""
import importlib.metadata
import logging
import sys
import types

import isotp
import isotp.protocol
import isotp.tools

logging.disable(logging.CRITICAL)
clock = types.SimpleNamespace(now=0)
isotp.tools.time = types.SimpleNamespace(perf_counter_ns=lambda: clock.now)

MODES = {
    "normal11": isotp.AddressingMode.Normal_11bits,
    "normal29": isotp.AddressingMode.Normal_29bits,
    "extended11": isotp.AddressingMode.Extended_11bits,
    "mixed11": isotp.AddressingMode.Mixed_11bits,
}


class Peer:
    def __init__(self, mode, tx, rx, byte_tx, byte_rx, stmin, block, padding, frame, fd):
        kind = MODES[mode]
        arguments = {"txid": int(tx), "rxid": int(rx)}
        if mode == "extended11":
            arguments |= {"target_address": int(byte_tx), "source_address": int(byte_rx)}
        if mode == "mixed11":
            arguments |= {"address_extension": int(byte_tx)}
        self.address = isotp.Address(kind, **arguments)
        self.inbox, self.out, self.errors = [], [], []
        params = {
            "stmin": int(stmin), "blocksize": int(block), "tx_padding": None if padding == "-1" else int(padding),
            "tx_data_length": int(frame), "can_fd": fd == "1", "max_frame_size": 1 << 20, "wftmax": 4,
        }
        self.stack = isotp.TransportLayerLogic(
            rxfn=lambda timeout: self.inbox.pop(0) if self.inbox else None, txfn=self.out.append, address=self.address,
            params=params, error_handler=lambda error: self.errors.append(type(error).__name__))
        self.fd = fd == "1"
        self.rx, self.wide = int(rx), mode == "normal29"

    def step(self, frames):
        for data in frames:
            self.inbox.append(isotp.CanMessage(
                arbitration_id=self.rx, data=bytes.fromhex(data), extended_id=self.wide, is_fd=self.fd))
        tokens = []
        while True:
            self.stack.process()
            while (message := self.stack.recv()) is not None:
                tokens.append("r:" + message.hex())
            if not self.inbox:
                break
        tokens += ["t:" + bytes(message.data).hex() for message in self.out]
        tokens += ["e:" + error for error in self.errors]
        self.out.clear()
        self.errors.clear()
        timers = [self.stack.timer_rx_cf, self.stack.timer_rx_fc]
        if self.stack.is_tx_transmitting_cf():
            timers.append(self.stack.timer_tx_stmin)
        due = [timer.remaining_ns() + 1 for timer in timers if not timer.is_stopped()]
        if due:
            tokens.append(f"n:{min(due)}")
        return " ".join(tokens)


print(importlib.metadata.version("can-isotp"), flush=True)
peer = None
for line in sys.stdin:
    word, *rest = line.split()
    if word == "new":
        peer, answer = Peer(*rest), "ok"
    elif word == "send":
        peer.stack.send(bytes.fromhex(rest[0]))
        answer = "ok"
    else:
        clock.now = int(rest[0])
        answer = peer.step(rest[1:])
    print(answer, flush=True)
