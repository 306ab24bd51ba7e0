/**
 * A serial-line CAN adapter on the loopback with one control unit behind it, whose every value is a number that counts
 * up: so a sample can be followed from the last byte of its answer to the screen and into the drive.
 *
 * The answers are spaced such that all signals together come around `perSecond` times a second. Framing as ISO 15765-2
 * describes it (from memory); the adapter's lines as the program documents them in `protocol::slcan`.
 */

import { createServer, type Socket } from 'node:net';

const REQUEST = 0x7e0;
const REPLY = 0x7e8;
const EVERYBODY = 0x7df;

/** The program takes an answer that comes late, by up to a second. */
const LATE_MS = 1000;

/** Identifier that the k-th signal is read by. */
const did = (k: number) => 0xc000 + k;

export interface CountingCar {
  address: string;
  /** A maker's file that describes it. */
  definitions: string;
  signals: string[];
  /** When the last byte of the answer with the n-th value of the first signal was handed to the system, ms since 1970. */
  sentAt: number[];
  /** How many values of each signal were answered. */
  answered: number[];
  /** How many values were answered so late, on a busy machine, that nobody took them any more. */
  late: number;
  end(): void;
}

export const now = () => performance.timeOrigin + performance.now();

export async function startCar(n: number, perSecond: number): Promise<CountingCar> {
  const signals = Array.from({ length: n }, (_, k) => `custom.count_${k + 1}`);
  const car: CountingCar = {
    address: '',
    definitions: definitions(signals),
    signals,
    sentAt: [],
    answered: new Array<number>(n).fill(0),
    late: 0,
    end: () => server.close(),
  };
  const server = createServer((socket) => serve(socket, car, perSecond));
  await new Promise<void>((done) => server.listen(0, '127.0.0.1', done));
  const { port } = server.address() as { port: number };
  car.address = `slcan+tcp://127.0.0.1:${port}`;
  return car;
}

function definitions(signals: string[]): string {
  const dids = signals.map(
    (id, k) => `[[module.did]]
did = "${did(k).toString(16).toUpperCase()}"
n_bytes = 2

[[module.did.signal]]
id = "${id}"
unit = "1"
title = "Count ${k + 1}"
byte = 0
bits = 16
`,
  );
  return `title = "a control unit that counts"
origin = "made up for the bench"
fits_vin = []

[[module]]
name = "counter"
request = "7E0"
reply = "7E8"

${dids.join('\n')}`;
}

function serve(socket: Socket, car: CountingCar, perSecond: number): void {
  socket.setNoDelay(true);
  let text = '';
  /** Consecutive frames that wait for a flow control, and what is to be noted when they are out. */
  let rest: { frames: number[][]; sent: () => void } | null = null;
  /** When the next answer may go out, ms. */
  let free = 0;
  const frames = (all: number[][]) => socket.write(all.map((bytes) => line(REPLY, bytes)).join(''));
  const answer = (payload: number[], sent: () => void) => {
    if (payload.length <= 7) {
      frames([[payload.length, ...payload]]);
      sent();
      return;
    }
    const following: number[][] = [];
    for (let at = 6, k = 1; at < payload.length; at += 7, k += 1)
      following.push([0x20 | (k & 15), ...payload.slice(at, at + 7)]);
    rest = { frames: following, sent };
    frames([[0x10 | (payload.length >> 8), payload.length & 255, ...payload.slice(0, 6)]]);
  };
  const ask = (to: number, request: number[]) => {
    const [service, ...data] = request;
    if (service === 0x01 && data[0] === 0x00) answer([0x41, 0x00, 0x00, 0x10, 0x00, 0x00], () => {});
    else if (service === 0x01) answer([0x41, 0x0c, 0x0f, 0xa0], () => {});
    else if (service === 0x3e) answer([0x7e, 0x00], () => {});
    else if (service === 0x22) count(data);
    else if (to === REQUEST) answer([0x7f, service ?? 0, 0x11], () => {});
  };
  const count = (data: number[]) => {
    const asked: number[] = [];
    for (let k = 0; k + 1 < data.length; k += 2) asked.push(((data[k]! << 8) | data[k + 1]!) - did(0));
    if (asked.some((k) => k < 0 || k >= car.signals.length)) return answer([0x7f, 0x22, 0x31], () => {});
    const at = performance.now();
    free = Math.max(free, at);
    const wait = free - at;
    free += (1000 / perSecond) * (asked.length / car.signals.length);
    const send = () => {
      const payload = [0x62];
      for (const k of asked) {
        const value = car.answered[k]! & 0xffff;
        payload.push(did(k) >> 8, did(k) & 255, value >> 8, value & 255);
      }
      // An answer that nobody waited for any more is none: its numbers come again.
      answer(payload, () => {
        if (performance.now() - at > LATE_MS) car.late += asked.length;
        if (asked.includes(0)) car.sentAt[car.answered[0]!] = now();
        for (const k of asked) car.answered[k]! += 1;
      });
    };
    // A timer is right to a millisecond; as the plan goes on from where it should have been, the rate is right.
    if (wait < 1) send();
    else setTimeout(send, wait);
  };
  let gathered: { all: number[]; length: number } | null = null;
  const frame = (id: number, bytes: number[]) => {
    const kind = bytes[0]! >> 4;
    if (kind === 0) ask(id, bytes.slice(1, 1 + (bytes[0]! & 15)));
    else if (kind === 1) {
      gathered = { all: bytes.slice(2), length: ((bytes[0]! & 15) << 8) | bytes[1]! };
      frames([[0x30, 0, 0]]);
    } else if (kind === 2 && gathered) {
      gathered.all.push(...bytes.slice(1));
      if (gathered.all.length < gathered.length) return;
      ask(id, gathered.all.slice(0, gathered.length));
      gathered = null;
    } else if (kind === 3 && rest) {
      const { frames: following, sent } = rest;
      rest = null;
      frames(following);
      sent();
    }
  };
  socket.on('data', (bytes) => {
    text += bytes.toString('latin1');
    const lines = text.split('\r');
    text = lines.pop() ?? '';
    for (const said of lines) {
      if (!said.startsWith('t')) {
        socket.write(
          said.startsWith('V')
            ? 'V1013\r'
            : said.startsWith('N')
              ? 'N0001\r'
              : said.startsWith('F')
                ? 'F00\r'
                : '\r',
        );
        continue;
      }
      socket.write('z\r');
      const id = Number.parseInt(said.slice(1, 4), 16);
      const data = said.slice(5).match(/../g) ?? [];
      if (id === REQUEST || id === EVERYBODY)
        frame(
          id,
          data.map((byte) => Number.parseInt(byte, 16)),
        );
    }
  });
  socket.on('error', () => {});
}

function line(id: number, bytes: number[]): string {
  const padded = [...bytes, ...new Array<number>(8 - bytes.length).fill(0)];
  const hex = (value: number, digits: number) => value.toString(16).toUpperCase().padStart(digits, '0');
  return `t${hex(id, 3)}8${padded.map((byte) => hex(byte, 2)).join('')}\r`;
}
