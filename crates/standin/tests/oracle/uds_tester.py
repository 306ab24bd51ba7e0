"""A tester made of udsoncan, a general-purpose UDS library: speaks with the car's body module.

`uds_tester.py doip PORT`: over IP, with doipclient. `uds_tester.py slcan PORT`: over CAN, with can-isotp and python-can behind
a serial-line adapter. Prints one line per thing that the library understood.
"""
import sys

import udsoncan
from udsoncan import DidCodec, services
from udsoncan.client import Client
from udsoncan.exceptions import NegativeResponseException

transport, port = sys.argv[1], int(sys.argv[2])


class Text(DidCodec):
    """Text of so many characters, or of all that follow."""

    def __init__(self, length=None):
        self.length = length

    def encode(self, value):
        return value.encode()

    def decode(self, payload):
        return payload.decode()

    def __len__(self):
        if self.length is None:
            raise DidCodec.ReadAllRemainingData
        return self.length


def over_ip():
    from doipclient import DoIPClient
    from doipclient.connectors import DoIPClientUDSConnector

    client = DoIPClient("127.0.0.1", 0x17E3, tcp_port=port, client_logical_address=0x0E00)
    return DoIPClientUDSConnector(client, close_connection=True), lambda: None


def over_can():
    import can
    import isotp
    from can.interfaces.slcan import slcanBus
    from udsoncan.connections import PythonIsoTpConnection

    bus = slcanBus(f"socket://127.0.0.1:{port}", bitrate=500000, sleep_after_open=0)
    address = isotp.Address(isotp.AddressingMode.Normal_11bits, txid=0x7E3, rxid=0x7EB)
    notifier = can.Notifier(bus, [], timeout=0.01)
    stack = isotp.NotifierBasedCanStack(bus, notifier, address=address, params={"tx_padding": 0xAA, "blocking_send": True})

    def end():
        notifier.stop()
        bus.shutdown()

    return PythonIsoTpConnection(stack), end


def refused(call, *arguments, **named):
    try:
        call(*arguments, **named)
    except NegativeResponseException as error:
        return error.response.code_name
    return "taken"


connection, end = over_ip() if transport == "doip" else over_can()
config = {
    "exception_on_negative_response": True,
    "request_timeout": 5,
    "p2_timeout": 2,
    "data_identifiers": {0xF190: Text(17), 0xF197: Text(), 0xD101: ">B", 0xD102: ">H", 0xD104: ">H"},
    "input_output": {0xD101: ">B", 0xD103: ">B"},
}
with Client(connection, config=config) as client:
    print("library", udsoncan.__version__)
    values = client.read_data_by_identifier([0xF190, 0xF197]).service_data.values
    print("identity", values[0xF190], values[0xF197])
    codes = client.get_dtc_by_status_mask(0x0D).service_data
    for code in codes.dtcs:
        print("code", f"{code.id:06X}", f"confirmed={code.status.confirmed} failed={code.status.test_failed}")
    print("codes", codes.dtc_count)
    print("without session", refused(client.io_control, did=0xD101, control_param=3, values=[1]))
    timing = client.change_session(services.DiagnosticSessionControl.Session.extendedDiagnosticSession).service_data
    print("session", timing.p2_server_max, timing.p2_star_server_max)
    client.tester_present()
    for wanted in (1, 0):
        client.io_control(did=0xD101, control_param=3, values=[wanted])
        print("relay", client.read_data_by_identifier([0xD101]).service_data.values[0xD101][0])
    client.io_control(did=0xD101, control_param=0)
    client.start_routine(0x0203, data=bytes([1]))
    print("routine", client.get_routine_result(0x0203).service_data.routine_status_record.hex())
    client.stop_routine(0x0203)
    print("routine", client.get_routine_result(0x0203).service_data.routine_status_record.hex())
    print("locked", refused(client.request_seed, 1))
    print("cleared", client.clear_dtc(0xFFFFFF).positive)
    client.change_session(services.DiagnosticSessionControl.Session.defaultSession)
end()
