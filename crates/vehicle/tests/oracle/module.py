"""A module made of udsoncan, a general-purpose library of ISO 14229: with `can` behind a serial-line adapter and can-isotp, a
library of ISO 15765-2; with `doip` behind a gateway made of the messages of doipclient, a library of ISO 13400-2.

Prints the versions of the libraries and its port, then serves its clients until its input ends. The module answers at 7E0 and
7E8, or at 1010, asks for more time before it tells its VIN, has a code with two records, a relay that is driven in the extended session,
which ends two seconds after the last request, and a routine.
"""
import importlib.metadata
import os
import queue
import socket
import sys
import threading
import time

import isotp
from doipclient.client import DoIPClient, Parser
from doipclient.messages import (
    DiagnosticMessage, DiagnosticMessageNegativeAcknowledgement, DiagnosticMessagePositiveAcknowledgement,
    RoutingActivationRequest, RoutingActivationResponse, payload_message_to_type)
from udsoncan import Request, Response, services

VIN = b"GTWFL6A19JK104217"
S3_S = 2.0
Code = Response.Code


class Refused(Exception):
    pass


class Module:
    def __init__(self):
        self.codes = {0x9A2113: 0x2F, 0x056216: 0x28}
        self.relay = None
        self.session_until = 0.0
        self.runs = False

    def answer(self, payload):
        """The payloads that answer this one; an empty list for silence."""
        request = Request.from_payload(payload)
        if request.service is None:
            return [bytes([0x7F, payload[0], Code.ServiceNotSupported])]
        now = time.monotonic()
        if now > self.session_until:
            self.relay, self.runs = None, False
        elif self.session_until:
            self.session_until = now + S3_S
        sub, data = request.subfunction, request.data or b""
        try:
            body = self.serve(request.service, sub, data, now)
        except Refused as refusal:
            return [Response(request.service, refusal.args[0]).get_payload()]
        if request.suppress_positive_response:
            return []
        answer = Response(request.service, Code.PositiveResponse, data=body).get_payload()
        if data[:2] == b"\xf1\x90":
            return [Response(request.service, Code.RequestCorrectlyReceived_ResponsePending).get_payload(), answer]
        return [answer]

    def serve(self, service, sub, data, now):
        is_extended = now <= self.session_until
        if service is services.TesterPresent:
            return bytes([sub])
        if service is services.DiagnosticSessionControl:
            if sub not in (1, 3):
                raise Refused(Code.SubFunctionNotSupported)
            self.session_until = now + S3_S if sub == 3 else 0.0
            # P2 120 ms, P2* 400 x 10 ms.
            return bytes([sub, 0, 120, 1, 0x90])
        if service is services.ReadDataByIdentifier:
            known = {0xF190: VIN, 0xF195: b"0100", 0xF197: b"Library module", 0xD101: bytes([self.relay or 0])}
            dids = [int.from_bytes(data[at:at + 2], "big") for at in range(0, len(data), 2)]
            found = b"".join(did.to_bytes(2, "big") + known[did] for did in dids if did in known)
            if not found:
                raise Refused(Code.RequestOutOfRange)
            return found
        if service is services.ReadDTCInformation:
            return bytes([sub]) + self.trouble(sub, data)
        if service is services.ClearDiagnosticInformation:
            self.codes.clear()
            return b""
        if service is services.InputOutputControlByIdentifier:
            if data[:2] != b"\xd1\x01":
                raise Refused(Code.RequestOutOfRange)
            if data[2] != 0 and not is_extended:
                raise Refused(Code.ServiceNotSupportedInActiveSession)
            self.relay = data[3] if data[2] == 3 else None
            return data
        if service is services.RoutineControl:
            if not is_extended:
                raise Refused(Code.ServiceNotSupportedInActiveSession)
            self.runs = {1: True, 2: False}.get(sub, self.runs)
            return bytes([sub]) + data[:2] + (bytes([0 if self.runs else 1]) if sub == 3 else b"")
        raise Refused(Code.ServiceNotSupported)

    def trouble(self, sub, data):
        if sub == 2:
            rows = [code.to_bytes(3, "big") + bytes([status]) for code, status in self.codes.items() if status & data[0]]
            return b"\xff" + b"".join(rows)
        code = int.from_bytes(data[:3], "big")
        if sub not in (4, 6):
            raise Refused(Code.SubFunctionNotSupported)
        if code not in self.codes:
            raise Refused(Code.RequestOutOfRange)
        head = data[:3] + bytes([self.codes[code]])
        return head if sub == 4 else head + bytes([1, 5, 2, 7])


def frame_line(message):
    return b"t%03X%X%s\r" % (message.arbitration_id, len(message.data), message.data.hex().upper().encode())


def received(connection):
    """What has come; nothing when the client has gone."""
    try:
        return connection.recv(4096)
    except ConnectionError:
        return b""


def answer_everyone(module, payload):
    """What a module does not know it does not answer when everyone was asked."""
    return [answer for answer in module.answer(payload) if answer[0] != 0x7F or answer[2] not in (0x11, 0x12, 0x31)]


def serve_over_ip(connection):
    module, parser, own, everyone = Module(), Parser(), 0x1010, 0xE000
    while chunk := received(connection):
        message = parser.read_message(chunk)
        while message is not None:
            out = []
            if isinstance(message, RoutingActivationRequest):
                out = [RoutingActivationResponse(message.source_address, 0x1000, 0x10)]
            elif isinstance(message, DiagnosticMessage):
                tester, to, data = message.source_address, message.target_address, bytes(message.user_data)
                if to not in (own, everyone):
                    out = [DiagnosticMessageNegativeAcknowledgement(to, tester, 0x03)]
                else:
                    answers = module.answer(data) if to == own else answer_everyone(module, data)
                    out = [DiagnosticMessagePositiveAcknowledgement(to, tester, 0x00, data)]
                    out += [DiagnosticMessage(own, tester, answer) for answer in answers]
            for one in out:
                connection.sendall(DoIPClient._pack_doip(2, payload_message_to_type[type(one)], one.pack()))
            message = parser.read_message(b"")


def serve_over_can(connection):
    module, frames, lock = Module(), queue.Queue(), threading.Lock()

    def say(line):
        with lock:
            connection.sendall(line)

    def receive(timeout):
        try:
            return frames.get(timeout=timeout)
        except queue.Empty:
            return None

    address = isotp.Address(isotp.AddressingMode.Normal_11bits, txid=0x7E8, rxid=0x7E0)
    layer = isotp.TransportLayer(
        rxfn=receive, txfn=lambda message: say(frame_line(message)), address=address, params={"tx_padding": 0xAA})
    layer.start()

    def converse():
        while True:
            payload = layer.recv(block=True, timeout=1)
            if payload:
                for answer in module.answer(bytes(payload)):
                    layer.send(answer)

    threading.Thread(target=converse, daemon=True).start()
    answers = {b"V": b"V0101\r", b"N": b"NLIBRARY\r", b"F": b"F00\r"}
    rest = b""
    while chunk := received(connection):
        *lines, rest = (rest + chunk).split(b"\r")
        for line in lines:
            if line[:1] == b"t":
                say(b"z\r")
                identifier, data = int(line[1:4], 16), bytes.fromhex(line[5:].decode())
                if identifier == 0x7DF:
                    # To everyone, in a single frame.
                    for answer in answer_everyone(module, data[1:1 + data[0]]):
                        layer.send(answer)
                else:
                    frames.put(isotp.CanMessage(arbitration_id=identifier, data=data, dlc=len(data)))
            else:
                say(answers.get(line, b"\r"))


serve = {"can": serve_over_can, "doip": serve_over_ip}[sys.argv[1]]
server = socket.create_server(("127.0.0.1", 0))
versions = [importlib.metadata.version(name) for name in ("can-isotp", "doipclient", "udsoncan")]
print(*versions, server.getsockname()[1], flush=True)
threading.Thread(target=lambda: (sys.stdin.read(), os._exit(0)), daemon=True).start()
while True:
    client = server.accept()[0]
    client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    threading.Thread(target=serve, args=(client,), daemon=True).start()
