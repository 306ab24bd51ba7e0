"""Messages of a diagnostic description with the values that the general-purpose library odxtools sees in them.

Arguments: a description, a PDX file that has the standard communication parameters, number of messages of each kind.
Prints one JSON object per message: where it belongs, its bytes, the values (null: refused), and the bytes that the library
makes of those values again (null: refused).
"""
import json
import os
import random
import sys
import tempfile
import warnings
import zipfile

import odxtools
from odxtools.database import Database
from odxtools.diagnostictroublecode import DiagnosticTroubleCode

warnings.simplefilter("ignore")
description, standard, n_messages = sys.argv[1], sys.argv[2], int(sys.argv[3])
if description.endswith(".pdx"):
    database = odxtools.load_pdx_file(description)
else:
    database = Database()
    with tempfile.TemporaryDirectory() as folder, zipfile.ZipFile(standard) as archive:
        for name in archive.namelist():
            if os.path.splitext(name)[1].startswith(".odx-c"):
                archive.extract(name, folder)
                database.add_odx_file(os.path.join(folder, name))
        database.add_odx_file(description)
    database.refresh()
choose = random.Random(20_111)


def shown(value):
    if isinstance(value, DiagnosticTroubleCode):
        return {"code": value.trouble_code}
    if isinstance(value, (bytes, bytearray)):
        return {"bytes": bytes(value).hex()}
    if isinstance(value, tuple):
        return {"case": [value[0], shown(value[1])]}
    if isinstance(value, dict):
        return {"structure": [[name, shown(inner)] for name, inner in value.items()]}
    if isinstance(value, list):
        return {"list": [shown(inner) for inner in value]}
    return value


def random_bytes(message, request):
    data = bytearray(choose.choice([choose.randrange(256), choose.randrange(12)]) for _ in range(choose.randrange(3, 28)))
    for parameter in message.parameters:
        at = getattr(parameter, "byte_position", None)
        if at is None:
            continue
        kind = parameter.parameter_type
        if kind == "CODED-CONST":
            n_bytes = (parameter.get_static_bit_length() + 7) // 8
            data[at:at + n_bytes] = parameter.coded_value.to_bytes(n_bytes, "big")
        elif kind == "MATCHING-REQUEST-PARAM":
            copied = request[parameter.request_byte_position:parameter.request_byte_position + parameter.byte_length]
            data[at:at + parameter.byte_length] = copied
        elif kind == "NRC-CONST":
            data[at:at + 1] = bytes([choose.choice(parameter.coded_values)])
    return bytes(data)


def pair(layer, service, message, kind, request):
    data = random_bytes(message, request)
    try:
        values = message.decode(data)
    except Exception:
        values = None
    encoded = None
    if values is not None:
        given = {name: value for name, value in values.items()
                 if next(p for p in message.parameters if p.short_name == name).parameter_type
                 not in ("RESERVED", "CODED-CONST", "MATCHING-REQUEST-PARAM", "TABLE-KEY")}
        try:
            encoded = bytes(message.encode(**({} if kind == "request" else {"coded_request": request}), **given)).hex()
        except Exception:
            pass
    print(json.dumps({"layer": layer.short_name, "service": service.short_name, "kind": kind,
                      "response": message.short_name, "request": request.hex(), "bytes": data.hex(),
                      "values": None if values is None else shown(dict(values)), "encoded": encoded}))


for layer in database.diag_layers:
    for service in getattr(layer, "services", []):
        if service.request is None:
            continue
        for _ in range(n_messages):
            pair(layer, service, service.request, "request", b"")
        for responses, kind in [(service.positive_responses, "positive"), (service.negative_responses, "negative")]:
            for message in responses:
                for _ in range(n_messages):
                    request = random_bytes(service.request, b"") + bytes(4)
                    pair(layer, service, message, kind, request)
