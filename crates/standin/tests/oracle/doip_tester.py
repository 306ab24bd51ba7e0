"""A tester made of doipclient, a general-purpose library of diagnostics over IP: reads the car at 127.0.0.1:PORT."""
import sys

from doipclient import DoIPClient

port = int(sys.argv[1])


def connect(module):
    return DoIPClient("127.0.0.1", module, tcp_port=port, udp_port=port, client_logical_address=0x0E00)


with connect(0x17E0) as client:
    announcement = client.request_vehicle_identification()
    print("announced", announcement.vin, f"{announcement.logical_address:04X}")
    client.send_diagnostic(b"\x22\xf1\x90")
    print("engine", client.receive_diagnostic(timeout=3).hex())
    try:
        client.send_diagnostic_to_address(0x1234, b"\x3e\x00")
    except OSError as error:
        print("nobody", error)
    print("alive", f"{client.request_alive_check().source_address:04X}")
with connect(0x17E2) as client:
    client.send_diagnostic(b"\x22\xf1\x90")
    print("brake", client.receive_diagnostic(timeout=3).hex())
