#!/usr/bin/env python3
"""A charger that loses nothing: it keeps every batch until a receipt says that it is kept.

    charger.py ID TOKEN [SAMPLES] [HOST] [PORT]

MQTT 3.1.1 over a plain socket, as a small device would speak it (OASIS standard mqtt-v3.1.1); Python's own
library is all it needs. Each number of a sample is sent again after a lost connection: that does no harm.
"""

import json
import random
import socket
import struct
import sys
import time

BATCH = 60
WINDOW = 8  # batches on the way


def packet(kind, body):
    """Fixed header with the remaining length (section 2.2) before a body."""
    head, left = bytearray([kind]), len(body)
    while True:
        left, digit = left >> 7, left & 0x7F
        head.append(digit | (0x80 if left else 0))
        if not left:
            return bytes(head) + body


def text(value):
    data = value.encode()
    return struct.pack("!H", len(data)) + data


class Connection:
    def __init__(self, host, port, device, token):
        self.socket = socket.create_connection((host, port), timeout=10)
        # Clean session, user name and password, keep-alive 60 s (section 3.1).
        self.send(0x10, text("MQTT") + bytes([4, 0xC2, 0, 60]) + text(device) + text(device) + text(token))
        kind, body = self.receive()
        if kind != 0x20 or body[1] != 0:
            raise PermissionError(f"the door refused this login, code {body[1]}: check ID and TOKEN")
        self.send(0x82, struct.pack("!H", 1) + text(f"restvolt/v1/{device}/receipt") + b"\x00")

    def send(self, kind, body):
        self.socket.sendall(packet(kind, body))

    def exactly(self, count):
        data = b""
        while len(data) < count:
            part = self.socket.recv(count - len(data))
            if not part:
                raise ConnectionError("the door closed the connection")
            data += part
        return data

    def receive(self):
        kind, length, shift = self.exactly(1)[0], 0, 0
        while True:
            digit = self.exactly(1)[0]
            length |= (digit & 0x7F) << shift
            shift += 7
            if not digit & 0x80:
                return kind, self.exactly(length)


def measure(seq):
    """Stands for the device's own converter."""
    return 12_600 + seq % 40, 1_500 - seq % 7


def batch(boot, first, last):
    samples = [measure(seq) for seq in range(first, last + 1)]
    return {
        "boot_id": str(boot),
        "first_seq": str(first),
        "start_milliseconds": str(1000 * first),
        "step_milliseconds": [0] + [1000] * (last - first),
        "voltage_millivolts": [volts for volts, _ in samples],
        "current_milliamperes": [amperes for _, amperes in samples],
        "sent_milliseconds": str(1000 * last),
    }


def settle(receipt, boot, buffer):
    """Takes out of the buffer what is kept, and what was refused and is kept aside."""
    for mark in receipt.get("watermarks", []):
        if int(mark["boot_id"]) != boot:
            continue
        kept = int(mark.get("contiguous_seq", 0))
        for first in [first for first, last in buffer.items() if last <= kept]:
            del buffer[first]
    for refused in receipt.get("refused_batches", []):
        if int(refused.get("boot_id", 0)) == boot:
            print("refused:", json.dumps(refused["rejection"]), file=sys.stderr)
            buffer.pop(int(refused["first_seq"]), None)


def session(connection, device, boot, buffer):
    """One connection, until everything is settled or it breaks."""
    topic = text(f"restvolt/v1/{device}/up/samples/json")
    waiting, open_packets, number = sorted(buffer), 0, 1
    while buffer:
        while waiting and open_packets < WINDOW:
            first = waiting.pop(0)
            payload = json.dumps(batch(boot, first, buffer[first])).encode()
            number = number % 65535 + 1
            connection.send(0x32, topic + struct.pack("!H", number) + payload)  # QoS 1
            open_packets += 1
        kind, body = connection.receive()
        if kind == 0x40:  # PUBACK: settled; which way, the receipt tells
            open_packets -= 1
        elif kind & 0xF0 == 0x30:  # a receipt, QoS 0
            length = struct.unpack("!H", body[:2])[0]
            settle(json.loads(body[2 + length :]), boot, buffer)
    connection.send(0xE0, b"")


def main():
    device, token = sys.argv[1:3]
    samples = int(sys.argv[3]) if len(sys.argv) > 3 else 600
    host = sys.argv[4] if len(sys.argv) > 4 else "127.0.0.1"
    port = int(sys.argv[5]) if len(sys.argv) > 5 else 7402
    boot = random.getrandbits(62)
    # What is not known to be kept: first number -> last number.
    buffer = {first: min(first + BATCH - 1, samples) for first in range(1, samples + 1, BATCH)}
    for _ in range(30):
        try:
            session(Connection(host, port, device, token), device, boot, buffer)
            print(f"{samples} samples of boot {boot} are kept")
            return 0
        except PermissionError as error:
            print(error, file=sys.stderr)
            return 1
        except OSError as error:
            print(f"{error}; nothing is dropped, again in a second", file=sys.stderr)
            time.sleep(1)
    print("the service did not answer; the buffer is not empty", file=sys.stderr)
    return 1


if __name__ == "__main__":
    sys.exit(main())
