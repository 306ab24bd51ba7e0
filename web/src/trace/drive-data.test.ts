import { afterEach, beforeEach, expect, test, vi } from 'vitest';
import { DriveData } from './drive-data';
import { finest, reading, type Trace } from './plot';

/** A frame with one thinned block per signal, laid out as the workbench writes it. */
function frame(blocks: [number, number[]][]): ArrayBuffer {
  const size = blocks.reduce((sum, [, t]) => sum + 8 + 16 * t.length, 8);
  const view = new DataView(new ArrayBuffer(size));
  view.setUint16(4, blocks.length, true);
  let at = 8;
  for (const [signal, t] of blocks) {
    view.setUint16(at, signal, true);
    view.setUint16(at + 2, 1, true);
    view.setUint32(at + 4, t.length, true);
    for (const [k, value] of [...t, ...t].entries()) view.setFloat64(at + 8 + 8 * k, value, true);
    at += 8 + 16 * t.length;
  }
  return view.buffer;
}

const whole = { from: 0, to: 1000 };
/** Questions that wait for their answer, the oldest first. */
let open: { query: URLSearchParams; answer: () => void }[] = [];

beforeEach(() => {
  vi.useFakeTimers();
  open = [];
  vi.stubGlobal('fetch', (path: string, { signal }: { signal?: AbortSignal } = {}) => {
    const query = new URLSearchParams(path.split('?')[1]);
    const [from, to] = [Number(query.get('from_s')), Number(query.get('to_s'))];
    // A sample a second and a half behind the start of what is asked for, and one as far before its end.
    const t = [from + 1.5, to - 1.5];
    const places = query.get('signals')!.split(',').map(Number);
    return new Promise((done, failed) => {
      signal?.addEventListener('abort', () => failed(new DOMException('', 'AbortError')));
      open.push({
        query,
        answer: () => done(new Response(frame(places.map((place) => [place, t])))),
      });
    });
  });
});
afterEach(() => {
  vi.useRealTimers();
  vi.unstubAllGlobals();
});

async function answered(k = 0): Promise<void> {
  open.splice(k, 1)[0]!.answer();
  await vi.advanceTimersByTimeAsync(100);
}

const trace = (data: DriveData, signal = 0): Trace => ({
  id: '',
  label: '',
  unit: '',
  index: 0,
  samples: data.samples(signal),
  coarse: data.coarseSamples(signal),
  reach: data.reach(signal),
});

test('a cursor that is left behind reads its own moment, not the nearest of what is looked at closely', async () => {
  const data = new DriveData('d', whole, () => {});
  void data.choose([0], 1000);
  await answered();
  data.look({ from: 500, to: 510 }, 1000);
  await vi.advanceTimersByTimeAsync(100);
  await answered();
  expect(data.samples(0).t[0]).toBe(491.5);
  expect(reading(trace(data), 505)?.t).toBeCloseTo(491.5);
  expect(reading(trace(data), 2)?.t).toBe(1.5);
});

test('the beginning and the end of a drive are drawn as finely as the rest', async () => {
  const data = new DriveData('d', whole, () => {});
  void data.choose([0], 1000);
  await answered();
  for (const view of [
    { from: 0, to: 5 },
    { from: 500, to: 505 },
    { from: 995, to: 1000 },
  ]) {
    data.look(view, 1000);
    await vi.advanceTimersByTimeAsync(100);
    await answered();
    expect(finest(trace(data), view)).toBe(data.samples(0));
    expect(data.samples(0)).not.toBe(data.coarseSamples(0));
  }
  // Laid over another drive, one begins later: what is before its beginning lacks nothing.
  data.look({ from: -4, to: 1 }, 1000);
  await vi.advanceTimersByTimeAsync(100);
  await answered();
  data.look({ from: -4.5, to: 0.5 }, 1000);
  await vi.advanceTimersByTimeAsync(100);
  expect(open).toHaveLength(0);
  expect(finest(trace(data), { from: -4.5, to: 0.5 })).toBe(data.samples(0));
});

test('signals that were chosen last are shown, whichever answer comes first', async () => {
  const data = new DriveData('d', whole, () => {});
  void data.choose([0], 1000);
  void data.choose([0, 1], 1000);
  await answered(1);
  await answered();
  expect(data.samples(1).n).toBe(2);
});

test('what is looked at becomes fine without being touched again', async () => {
  const data = new DriveData('d', whole, () => {});
  data.look({ from: 500, to: 510 }, 1000);
  void data.choose([0], 1000);
  await answered();
  expect(open).toHaveLength(1);
  await answered();
  // A look elsewhere that ended before its picture came does not take the place of this one.
  data.look({ from: 100, to: 110 }, 1000);
  await vi.advanceTimersByTimeAsync(100);
  data.look({ from: 501, to: 509 }, 1000);
  await answered();
  expect(data.reach(0)).toEqual({ from: 490, to: 520 });
});
