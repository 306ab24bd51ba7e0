"""What udsoncan, a general-purpose UDS library, makes of our requests and replies.

One line in: a name, then the fields. One line out: the library's request in hex (`make`), or the fields that it reads
from a reply (`read`), or those that it reads from a request as a module would (`serve`).
"""

import sys

import udsoncan
from udsoncan import DidCodec, DynamicDidDefinition, Request, Response, services


class Raw(DidCodec):
    """State bytes as they are."""

    def encode(self, value):
        return value

    def decode(self, payload):
        return payload

    def __len__(self):
        raise DidCodec.ReadAllRemainingData


def blob(text):
    return bytes.fromhex(text) if text != "-" else b""


def make(name, *fields):
    if name == "session":
        return services.DiagnosticSessionControl.make_request(int(fields[0], 16))
    if name == "present":
        return services.TesterPresent.make_request()
    if name == "dtc":
        return services.ControlDTCSetting.make_request(int(fields[0], 16))
    if name == "routine":
        kind, number, option = fields
        return services.RoutineControl.make_request(int(number, 16), int(kind, 16), blob(option) or None)
    if name == "io":
        did, control, state, mask = fields
        config = {int(did, 16): {"codec": Raw}}
        if blob(mask):
            config[int(did, 16)]["mask_size"] = len(blob(mask))
            config[int(did, 16)]["mask"] = {f"m{bit}": 1 << bit for bit in range(8 * len(blob(mask)))}
        names = None
        if blob(mask):
            number = int.from_bytes(blob(mask), "big")
            names = [f"m{bit}" for bit in range(8 * len(blob(mask))) if number >> bit & 1]
        values = [blob(state)] if blob(state) else None
        return services.InputOutputControlByIdentifier.make_request(
            int(did, 16), int(control, 16), values=values, masks=names, ioconfig=config
        )
    if name == "define":
        did, *pieces = fields
        definition = DynamicDidDefinition()
        for piece in pieces:
            source, position, size = (int(part, 16) for part in piece.split(":"))
            definition.add(source_did=source, position=position, memorysize=size)
        return services.DynamicallyDefineDataIdentifier.make_request(1, int(did, 16), definition)
    if name == "undefine":
        return services.DynamicallyDefineDataIdentifier.make_request(3, int(fields[0], 16) if fields else None)
    if name == "reset":
        return services.ECUReset.make_request(int(fields[0], 16))
    if name == "clear":
        return services.ClearDiagnosticInformation.make_request(int(fields[0], 16))
    if name == "dids":
        dids = [int(did, 16) for did in fields]
        return services.ReadDataByIdentifier.make_request(dids, {did: fixed(1) for did in dids})
    if name == "security":
        mode, level, data = fields
        mode = services.SecurityAccess.Mode.SendKey if mode == "key" else services.SecurityAccess.Mode.RequestSeed
        return services.SecurityAccess.make_request(int(level, 16), mode, blob(data))
    if name == "codes":
        sub, *pairs = fields
        values = {key: int(value, 16) for key, value in (pair.split("=") for pair in pairs)}
        return services.ReadDTCInformation.make_request(int(sub, 16), **values)
    raise ValueError(name)


def fixed(size):
    """A codec of so many bytes."""
    return type(f"Fixed{size}", (Raw,), {"__len__": lambda self: size})()


def code(dtc, *more):
    return ":".join([f"{dtc.id:06x}", f"{dtc.status.get_byte_as_int():02x}", *more])


def codes(reply, sizes):
    """Every code of a reply of service 19 with its status, severity, snapshots and extended data."""
    response = Response.from_payload(reply)
    config = {int(did, 16): fixed(int(size)) for did, size in (pair.split("=") for pair in sizes if "=" in pair)}
    extended = next((int(size) for size in sizes if "=" not in size), 1)
    data = services.ReadDTCInformation.interpret_response(
        response, subfunction=reply[1], didconfig=config, extended_data_size=extended, tolerate_zero_padding=False
    ).service_data
    available = "-" if data.status_availability is None else f"{data.status_availability.get_byte_as_int():02x}"
    out = [available, "-" if data.dtc_format is None else f"{data.dtc_format:02x}", str(data.dtc_count)]
    for dtc in data.dtcs:
        more = []
        if reply[1] == 0x42:
            more.append(f"{dtc.severity.get_byte_as_int():02x}")
        more += [f"{frozen.record_number:02x}/{frozen.did:04x}/{bytes(frozen.raw_data).hex()}" for frozen in dtc.snapshots]
        more += [f"{record.record_number:02x}/{bytes(record.raw_data).hex()}" for record in dtc.extended_data]
        out.append(code(dtc, *more))
    return out


def read(name, reply, *fields):
    if name == "ReadDTCInformation":
        return codes(blob(reply), fields)
    response = Response.from_payload(blob(reply))
    service = getattr(services, name)
    if name == "InputOutputControlByIdentifier":
        did = int.from_bytes(blob(reply)[1:3], "big")
        data = service.interpret_response(response, control_param=blob(reply)[3], ioconfig={did: Raw}).service_data
        return [f"{data.did_echo:04x}", f"{data.control_param_echo:02x}", blob(reply)[4:].hex() or "-"]
    if name == "SecurityAccess":
        mode = service.Mode.SendKey if fields[0] == "key" else service.Mode.RequestSeed
        data = service.interpret_response(response, mode).service_data
        return [f"{data.security_level_echo:02x}", (data.seed or b"").hex() or "-"]
    if name == "ReadDataByIdentifier":
        sizes = {int(did, 16): fixed(int(size)) for did, size in (pair.split("=") for pair in fields)}
        data = service.interpret_response(response, list(sizes), sizes).service_data
        return [f"{did:04x}={value.hex()}" for did, value in data.values.items()]
    data = service.interpret_response(response).service_data
    if name == "ClearDiagnosticInformation":
        return ["-"]
    if name == "ECUReset":
        down = data.powerdown_time
        return [f"{data.reset_type_echo:02x}", "-" if down is None else str(down)]
    if name == "DiagnosticSessionControl":
        return [f"{data.session_echo:02x}", f"{data.p2_server_max:g}", f"{data.p2_star_server_max:g}"]
    if name == "RoutineControl":
        record = data.routine_status_record or b""
        return [f"{data.control_type_echo:02x}", f"{data.routine_id_echo:04x}", record.hex() or "-"]
    if name == "TesterPresent":
        return [f"{data.subfunction_echo:02x}"]
    if name == "ControlDTCSetting":
        return [f"{data.setting_type_echo:02x}"]
    if name == "DynamicallyDefineDataIdentifier":
        did = "-" if data.did_echo is None else f"{data.did_echo:04x}"
        return [f"{data.subfunction_echo:02x}", did]
    raise ValueError(name)


def serve(payload):
    request = Request.from_payload(blob(payload))
    sub = "-" if request.subfunction is None else f"{request.subfunction:02x}"
    quiet = "quiet" if request.suppress_positive_response else "loud"
    return [request.service.__name__, sub, (request.data or b"").hex() or "-", quiet]


print(udsoncan.__version__)
for line in sys.stdin:
    word, *rest = line.split()
    if word == "make":
        print(make(*rest).get_payload().hex())
    elif word == "read":
        print(*read(*rest))
    else:
        print(*serve(*rest))
