/** Keeps the screen on, and speaks. */

import { spoken } from '../../app/theme';

/** Asks the system to keep the screen on while `this` place is open; returns how to end that, and whether it works here. */
export function stayAwake(): { works: boolean; end: () => void } {
  // Only pages at a safe address get this from their browser.
  if (!('wakeLock' in navigator)) return { works: false, end: () => {} };
  let lock: WakeLockSentinel | null = null;
  let isOver = false;
  const ask = async () => {
    if (isOver || document.visibilityState !== 'visible') return;
    lock = await navigator.wakeLock.request('screen').catch(() => null);
    if (isOver) void lock?.release();
  };
  void ask();
  // The system takes it away when the page is hidden.
  document.addEventListener('visibilitychange', ask);
  return {
    works: true,
    end: () => {
      isOver = true;
      document.removeEventListener('visibilitychange', ask);
      void lock?.release();
    },
  };
}

let sound: AudioContext | null = null;

/** A short tone; its pitch says what it means. */
export function tone(hertz: number, seconds = 0.25): void {
  sound ??= new AudioContext();
  // It sleeps until somebody has touched the page, and again after a call.
  if (sound.state !== 'running') void sound.resume().catch(() => undefined);
  const source = sound.createOscillator();
  const volume = sound.createGain();
  source.frequency.value = hertz;
  volume.gain.setValueAtTime(0.4, sound.currentTime);
  volume.gain.exponentialRampToValueAtTime(0.001, sound.currentTime + seconds);
  source.connect(volume).connect(sound.destination);
  source.start();
  source.stop(sound.currentTime + seconds);
}

/** A tone, and a sentence where there is one and the reader wants to hear it. */
export function cue(hertz: number, sentence: string, language: string): void {
  tone(hertz, 0.4);
  if (sentence && spoken.value) say(sentence, language);
}

/** Says a sentence in the language of the page, if this device can speak. */
function say(sentence: string, language: string): void {
  if (!('speechSynthesis' in globalThis)) return;
  const said = new SpeechSynthesisUtterance(sentence);
  said.lang = language;
  speechSynthesis.speak(said);
}
