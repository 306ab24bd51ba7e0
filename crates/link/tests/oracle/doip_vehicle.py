"""A vehicle made of the messages of doipclient, a general-purpose library of diagnostics over IP.

Prints its port, then serves connections on loopback until its input ends: UDP identification, routing activation (the
first tester address after 0E00 is refused), alive checks in the middle of an exchange, a module 1010 that asks for more
time before it tells its number, a module 1011 that never answers, and nobody else.
"""
import importlib.metadata
import os
import socket
import sys
import threading

from doipclient.client import DoIPClient, Parser
from doipclient.messages import (
    AliveCheckRequest, AliveCheckResponse, DiagnosticMessage, DiagnosticMessageNegativeAcknowledgement,
    DiagnosticMessagePositiveAcknowledgement, RoutingActivationRequest, RoutingActivationResponse,
    VehicleIdentificationRequest, VehicleIdentificationResponse, payload_message_to_type)

VIN = "GTWFL6A19JK104217"
VERSION = int(sys.argv[1])


def pack(message):
    return DoIPClient._pack_doip(VERSION, payload_message_to_type[type(message)], message.pack())


def answer(message, state):
    """The messages that follow this one."""
    if isinstance(message, RoutingActivationRequest):
        return [RoutingActivationResponse(message.source_address, 0x1000, 0x10)]
    if isinstance(message, AliveCheckResponse):
        state["alive"] = message.source_address
        held, state["held"] = state["held"], []
        return held
    if not isinstance(message, DiagnosticMessage):
        return []
    tester, module, data = message.source_address, message.target_address, bytes(message.user_data)
    if module not in (0x1010, 0x1011):
        return [DiagnosticMessageNegativeAcknowledgement(module, tester, 0x03)]
    ack = DiagnosticMessagePositiveAcknowledgement(module, tester, 0x00, data)
    if module == 0x1011:
        return [ack]
    if data == b"\x22\xf1\x90":
        # Held back until the tester has said that it is there.
        state["held"] = [DiagnosticMessage(module, tester, b"\x62\xf1\x90" + VIN.encode())]
        return [ack, DiagnosticMessage(module, tester, b"\x7f\x22\x78"), AliveCheckRequest()]
    return [ack, DiagnosticMessage(module, tester, b"\x7f" + data[:1] + b"\x11")]


def serve(connection):
    parser, state = Parser(), {"held": []}
    with connection:
        while chunk := connection.recv(4096):
            message = parser.read_message(chunk)
            while message is not None:
                if VERSION != 2 and parser.protocol_version != VERSION:
                    # Header refused: another edition is spoken here.
                    connection.sendall(bytes([VERSION, 0xFF ^ VERSION, 0, 0, 0, 0, 0, 1, 0]))
                    return
                for following in answer(message, state):
                    connection.sendall(pack(following))
                message = parser.read_message(b"")


def identify(udp):
    while True:
        data, source = udp.recvfrom(1024)
        if isinstance(Parser().read_message(data), VehicleIdentificationRequest):
            udp.sendto(pack(VehicleIdentificationResponse(VIN, 0x1000, b"\2\0\0\0\0\1", b"\2\0\0\0\0\1", 0, 0)), source)


tcp = socket.create_server(("127.0.0.1", 0))
udp = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
udp.bind(tcp.getsockname())
print(importlib.metadata.version("doipclient"), tcp.getsockname()[1], flush=True)
threading.Thread(target=lambda: (sys.stdin.read(), os._exit(0)), daemon=True).start()
if len(sys.argv) < 3:
    threading.Thread(target=identify, args=(udp,), daemon=True).start()
while True:
    serve(tcp.accept()[0])
