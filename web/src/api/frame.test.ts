import { expect, test } from 'vitest';
import { readFrame } from './frame';

/** The bytes that the test of the workbench's own writer expects, with a second block. */
function bytes(): ArrayBuffer {
  const data = new ArrayBuffer(8 + 24 + 40);
  const view = new DataView(data);
  [7, 0, 0, 0, 2, 0, 3, 0, 2, 0, 1, 0, 1, 0, 0, 0].forEach((byte, at) => {
    view.setUint8(at, byte);
  });
  view.setFloat64(16, 0.5, true);
  view.setFloat64(24, -1, true);
  view.setUint16(32, 5, true);
  view.setUint32(36, 2, true);
  [1, 2, 10, 20].forEach((value, k) => {
    view.setFloat64(40 + 8 * k, value, true);
  });
  return data;
}

test('a frame is read as the workbench writes it', () => {
  const frame = readFrame(bytes());
  expect(frame.number).toBe(7);
  expect(frame.feed).toBe(3);
  expect(frame.blocks.map((block) => [block.signal, block.thinned, [...block.t], [...block.v]])).toEqual([
    [2, true, [0.5], [-1]],
    [5, false, [1, 2], [10, 20]],
  ]);
});

test('a frame that is cut short is refused', () => {
  expect(() => readFrame(bytes().slice(0, 60))).toThrow(RangeError);
});
