import { expect, test } from 'vitest';
import { around, clamp, pan, pinch, zoom } from './view';

const whole = { from: 0, to: 100 };

test('a view stays inside the whole', () => {
  expect(clamp({ from: -10, to: 10 }, whole)).toEqual({ from: 0, to: 20 });
  expect(clamp({ from: 95, to: 115 }, whole)).toEqual({ from: 80, to: 100 });
  expect(clamp({ from: -50, to: 500 }, whole)).toEqual(whole);
  expect(pan({ from: 80, to: 100 }, whole, 10)).toEqual({ from: 80, to: 100 });
});

test('zooming keeps the moment under the finger', () => {
  expect(zoom({ from: 20, to: 40 }, whole, 25, 0.5)).toEqual({ from: 22.5, to: 32.5 });
  const out = zoom({ from: 20, to: 40 }, whole, 25, 100);
  expect(out).toEqual(whole);
  expect(zoom(whole, whole, 50, 1e-9).to - zoom(whole, whole, 50, 1e-9).from).toBeCloseTo(0.01);
});

test('a pinch keeps both moments under their fingers', () => {
  const view = pinch(whole, 40, 50, 0.25, 0.75);
  expect(view).toEqual({ from: 35, to: 55 });
  expect(pinch(whole, 40, 50, 0.75, 0.25)).toEqual(whole);
  expect(pinch(whole, 40, 50, 0.5, 0.5)).toEqual({ from: 40, to: 50 });
});

test('a moment is shown with room around it', () => {
  expect(around({ from: 50, to: 50.1 }, whole)).toEqual({ from: 48.5, to: 51.6 });
});
