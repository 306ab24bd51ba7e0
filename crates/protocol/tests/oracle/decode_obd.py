"""Decodes OBD messages with the automotive tables of scapy, a general-purpose packet library.

Reads one message per line from standard input, in hex, and answers each with one line: the fields of every record in it,
separated by tabs, each as `kind:name=value`. Kinds: `n` scaled number, `i` integer of one or more bytes, `b` bits, `e`
enumeration (`raw/text`), `f` flags joined by `+`, `s` bytes in hex, `c` trouble code, `p` start of a record with its
number. A message that cannot be decoded is answered with `!` and the reason.
"""

import logging
import sys

logging.getLogger("scapy").setLevel(logging.ERROR)

import scapy
from scapy.fields import ScalingField

# Numbers are rounded to three digits by default, which would hide a wrong scaling: keep twelve. The tables take the
# default when they are imported.
ScalingField.__init__.__defaults__ = (1, "", 0, 12, "B")

from scapy.contrib.automotive.obd.obd import OBD
from scapy.contrib.automotive.obd.services import OBD_DTC
from scapy.fields import (
    BitEnumField,
    BitField,
    FlagsField,
    StrFixedLenField,
    _EnumField,
)
from scapy.packet import Packet, Raw


def code(dtc):
    letter = "PCBU"[dtc.location]
    return f"{letter}{dtc.code1:X}{dtc.code2:X}{dtc.code3:X}{dtc.code4:X}"


def show(field, value, packet):
    name = field.name
    if isinstance(value, OBD_DTC):
        return [f"c:{name}={code(value)}"]
    if isinstance(value, list):
        if all(isinstance(item, Packet) for item in value) and not all(isinstance(i, OBD_DTC) for i in value):
            return [text for item in value for text in layers(item)]
        inner = getattr(field, "field", field)
        return [text for item in value for text in show(inner, item, packet)]
    if value is None:
        return []
    if isinstance(field, FlagsField):
        return [f"f:{name}={'+'.join(str(value).split('+'))}"]
    if isinstance(field, ScalingField):
        return [f"n:{name}={value!r}"]
    if isinstance(field, _EnumField) and not isinstance(field, BitEnumField):
        return [f"e:{name}={int(value)}/{field.i2s.get(value, '')}"]
    if isinstance(field, (BitField, BitEnumField)):
        return [f"b:{name}={int(value)}"]
    if isinstance(field, StrFixedLenField) or isinstance(value, bytes):
        return [f"s:{name}={bytes(value).hex()}"]
    return [f"i:{name}={int(value)}"]


def layers(packet):
    out = []
    while packet and packet.name != "NoPayload":
        if isinstance(packet, Raw):
            out.append(f"s:rest={packet.load.hex()}")
        else:
            out.append(f"p:{packet.name}=0")
            for field in packet.fields_desc:
                if hasattr(field, "_find_fld_pkt"):
                    field = field._find_fld_pkt(packet)
                value = packet.getfieldval(field.name)
                out += show(field, value, packet)
        packet = packet.payload
    return out


def main():
    print(scapy.__version__, flush=True)
    for line in sys.stdin:
        try:
            print("\t".join(layers(OBD(bytes.fromhex(line.strip())))))
        except Exception as error:  # the caller judges what may fail
            print("!", type(error).__name__, str(error).replace("\n", " "))


main()
