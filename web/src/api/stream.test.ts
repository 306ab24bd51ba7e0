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
  vi.advanceTimersByTime(10_000);
  expect(FakeSocket.made).toHaveLength(2);
  // Nor while a try is under way.
  FakeSocket.made[1]!.onclose();
  vi.advanceTimersByTime(10_000);
  stream.connect();
  expect(FakeSocket.made).toHaveLength(3);
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
