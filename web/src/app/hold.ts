/**
 * The button of a command, held: a dead man's switch. While it is held this page answers every beat of the workbench;
 * whatever ends the page, hides it or cuts it off ends the answers, and the workbench lets go by itself.
 */

import { signal } from '@preact/signals';
import { connected, state, stream } from './state';

/** Whether the button is held on this page. */
export const held = signal(false);

let press = 0;
let beat: number | null = null;

function answer(): void {
  if (held.value && beat !== null) stream.say({ type: 'hold', press, beat });
}

export function hold(): void {
  if (held.value) return;
  press += 1;
  held.value = true;
  answer();
}

export function letGo(): void {
  if (!held.value) return;
  held.value = false;
  stream.say({ type: 'let_go' });
}

export function startHold(): void {
  stream.beats = (number) => {
    beat = number;
    answer();
  };
  document.addEventListener('visibilitychange', () => {
    if (document.visibilityState !== 'visible') letGo();
  });
  window.addEventListener('pagehide', letGo);
  let wasPressed = false;
  state.subscribe((told) => {
    const isPressed = told?.car.command?.is_pressed ?? false;
    // The workbench let go by itself: it takes a new press.
    if (wasPressed && !isPressed) letGo();
    wasPressed = isPressed;
  });
  connected.subscribe((isOpen) => {
    if (isOpen) return;
    beat = null;
    letGo();
  });
}
