"""Decodes UDS messages with the automotive layers of scapy, a general-purpose packet library.

Reads one message per line from standard input, in hex, and answers each with one line of tab-separated fields, each as
`kind:name=value`: `c` code with its failure type, `f` flags joined by `+`, `i` integer, `s` bytes in hex, `e` enumeration
(`raw/text`).
"""

import logging
import sys

logging.getLogger("scapy").setLevel(logging.ERROR)

import scapy
from scapy.contrib.automotive.uds import UDS
from scapy.packet import Raw


def code(dtc):
    letter = "PCBU"[dtc.system]
    return f"{letter}{dtc.type:X}{dtc.numeric_value_code:03X}-{dtc.additional_information_code:02X}"


def read(packet):
    service, body = packet.service, packet.payload
    rest = bytes(body.payload).hex() if isinstance(body.payload, Raw) else ""
    if service == 0x7F:
        field = body.get_field("negativeResponseCode")
        raw = body.negativeResponseCode
        return [f"i:refused={body.requestServiceId}", f"e:reason={raw}/{field.i2s.get(raw, '')}"]
    if service == 0x50:
        record = bytes(body.sessionParameterRecord).hex()
        return [f"i:session={body.diagnosticSessionType}", f"s:parameters={record}"]
    if service == 0x62:
        return [f"i:identifier={body.dataIdentifier}", f"s:data={rest}"]
    if service == 0x59:
        out = [f"f:available={body.DTCStatusAvailabilityMask}"]
        for record in body.DTCAndStatusRecord:
            out += [f"c:code={code(record.dtc)}", f"f:status={record.status}"]
        return out
    return [f"i:unread={service}"]


def main():
    print(scapy.__version__, flush=True)
    for line in sys.stdin:
        print("\t".join(read(UDS(bytes.fromhex(line.strip())))))


main()
