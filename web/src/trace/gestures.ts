/** From fingers, wheel and keys to what is looked at. */

import type { Range } from './scale';
import { pan, pinch, zoom } from './view';

export interface Target {
  /** What is looked at now, and all that there is. */
  view(): Range;
  whole(): Range;
  /** The moment at a horizontal place of the element, and the share of the width it is at. */
  timeAt(x: number): number;
  shareAt(x: number): number;
  look(view: Range): void;
  /** Puts a cursor; `second` for the other one. */
  point(t: number | null, second: boolean): void;
  /** A finger, which has no key beside it, puts one after the other. */
  tap(t: number): void;
}

/** How far a finger may move and still be a tap, px. */
const TAP = 8;

/** Listens on an element; returns how to end that. */
export function gestures(element: HTMLElement, target: Target): () => void {
  const fingers = new Map<number, { x: number; t: number }>();
  let start: { x: number; view: Range; moved: boolean } | null = null;
  const place = (event: PointerEvent | WheelEvent) => event.clientX - element.getBoundingClientRect().left;

  const down = (event: PointerEvent) => {
    if (event.pointerType === 'mouse' && event.button !== 0) return;
    element.setPointerCapture(event.pointerId);
    const x = place(event);
    fingers.set(event.pointerId, { x, t: target.timeAt(x) });
    start = { x, view: target.view(), moved: fingers.size > 1 };
  };

  const move = (event: PointerEvent) => {
    const x = place(event);
    const finger = fingers.get(event.pointerId);
    if (!finger) {
      if (event.pointerType === 'mouse') target.point(target.timeAt(x), false);
      return;
    }
    finger.x = x;
    if (fingers.size >= 2) {
      const [a, b] = [...fingers.values()].sort((one, other) => one.t - other.t);
      target.look(pinch(target.whole(), a!.t, b!.t, target.shareAt(a!.x), target.shareAt(b!.x)));
    } else if (start && (start.moved || Math.abs(x - start.x) > TAP)) {
      start.moved = true;
      const share = target.shareAt(x) - target.shareAt(start.x);
      target.look(pan(start.view, target.whole(), -share * (start.view.to - start.view.from)));
    }
  };

  const up = (event: PointerEvent) => {
    if (!fingers.delete(event.pointerId) || !start) return;
    if (!start.moved && event.type === 'pointerup') {
      const t = target.timeAt(start.x);
      if (event.pointerType === 'mouse') target.point(t, event.shiftKey);
      else target.tap(t);
    }
    const left = [...fingers.values()][0];
    // One finger stays behind after a pinch: it pans on from where it is.
    start = left ? { x: left.x, view: target.view(), moved: true } : null;
    if (left) left.t = target.timeAt(left.x);
  };

  const wheel = (event: WheelEvent) => {
    event.preventDefault();
    const lines = event.deltaMode === 1 ? 16 : 1;
    const view = target.view();
    if (event.shiftKey || Math.abs(event.deltaX) > Math.abs(event.deltaY)) {
      const by = (event.deltaX || event.deltaY) * lines * 0.001;
      target.look(pan(view, target.whole(), by * (view.to - view.from)));
    } else {
      target.look(zoom(view, target.whole(), target.timeAt(place(event)), 1.0015 ** (event.deltaY * lines)));
    }
  };

  const key = (event: KeyboardEvent) => {
    const view = target.view();
    const whole = target.whole();
    const span = view.to - view.from;
    const middle = (view.from + view.to) / 2;
    const step = event.shiftKey ? 0.8 : 0.1;
    const views: Record<string, () => Range> = {
      ArrowLeft: () => pan(view, whole, -step * span),
      ArrowRight: () => pan(view, whole, step * span),
      '+': () => zoom(view, whole, middle, 0.6),
      '=': () => zoom(view, whole, middle, 0.6),
      '-': () => zoom(view, whole, middle, 1 / 0.6),
      Home: () => pan(view, whole, whole.from - view.from),
      End: () => pan(view, whole, whole.to - view.to),
      '0': () => whole,
    };
    const chosen = views[event.key];
    if (event.key === 'c') target.point(middle, event.altKey);
    else if (chosen) target.look(chosen());
    else return;
    event.preventDefault();
  };

  element.addEventListener('pointerdown', down);
  element.addEventListener('pointermove', move);
  element.addEventListener('pointerup', up);
  element.addEventListener('pointercancel', up);
  element.addEventListener('wheel', wheel, { passive: false });
  element.addEventListener('keydown', key);
  return () => {
    element.removeEventListener('pointerdown', down);
    element.removeEventListener('pointermove', move);
    element.removeEventListener('pointerup', up);
    element.removeEventListener('pointercancel', up);
    element.removeEventListener('wheel', wheel);
    element.removeEventListener('keydown', key);
  };
}
