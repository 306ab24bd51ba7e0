import { afterEach, expect, test, vi } from 'vitest';
import { Stream } from './stream';

class FakeSocket {
  static readonly OPEN = 1;
  static made: FakeSocket[] = [];
  readyState = 0;
  readonly sent: string[] = [];
  onopen = () => {};
  onclose = () => {};
  onmessage = (_: { data: string | ArrayBuffer }) => {};

  constructor() {
    FakeSocket.made.push(this);
  }

  /** Nobody answers the farewell. */
  close(): void {}

  send(text: string): void {
    this.sent.push(text);
  }

  opens(): void {
    this.readyState = FakeSocket.OPEN;
    this.onopen();
  }
}

function begin(): { stream: Stream; told: boolean[] } {
  vi.useFakeTimers();
  vi.stubGlobal('WebSocket', FakeSocket);
  // Behind another page nothing is drawn.
  vi.stubGlobal('document', { visibilityState: 'hidden' });
  vi.stubGlobal('requestAnimationFrame', () => {});
  vi.stubGlobal('location', { protocol: 'http:', host: 'bench' });
  FakeSocket.made = [];
  const told: boolean[] = [];
  return { stream: new Stream({ state: () => {}, open: (isOpen) => told.push(isOpen) }), told };
}

afterEach(() => {
  vi.useRealTimers();
  vi.unstubAllGlobals();
});

test('whoever joins anew while the page tries again has one connection', () => {
  const { stream } = begin();
  stream.connect();
  FakeSocket.made[0]!.opens();
  // The network was closed: the page is asked for a code, and goes on trying.
  FakeSocket.made[0]!.onclose();
  stream.connect();
  FakeSocket.made[1]!.opens();
  vi.advanceTimersByTime(5000);
  expect(FakeSocket.made).toHaveLength(2);
  // Nor while a try is under way.
  FakeSocket.made[1]!.onclose();
  vi.advanceTimersByTime(5000);
  stream.connect();
  expect(FakeSocket.made).toHaveLength(3);
});

test('a workbench that is not heard any more is no longer shown as there', () => {
  const { stream, told } = begin();
  const beat = () => FakeSocket.made[0]!.onmessage({ data: '{"type":"beat","beat":1}' });
  stream.connect();
  FakeSocket.made[0]!.opens();
  for (let k = 0; k < 10; k += 1) {
    vi.advanceTimersByTime(2000);
    beat();
  }
  expect(told).toEqual([true]);
  // No farewell comes: the machine fell asleep, or the phone left the network.
  vi.advanceTimersByTime(7500);
  expect(told).toEqual([true, false]);
  expect(FakeSocket.made).toHaveLength(2);
  // What is given up says nothing more, and ends nothing.
  FakeSocket.made[1]!.opens();
  beat();
  FakeSocket.made[0]!.onclose();
  expect(told).toEqual([true, false, true]);
});

test('a page that is not in front is told on: it speaks, though it draws nothing', () => {
  const { stream } = begin();
  stream.connect();
  const socket = FakeSocket.made[0]!;
  socket.opens();
  const frame = new DataView(new ArrayBuffer(8));
  frame.setUint32(0, 7, true);
  socket.onmessage({ data: frame.buffer });
  expect(socket.sent).toEqual(['{"type":"seen","frame":7}']);
});
