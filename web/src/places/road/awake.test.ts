import { expect, test, vi } from 'vitest';
import { tone } from './awake';

// A context may be suspended until the page is touched, and interrupted by the system (Web Audio API, AudioContextState).
test('a tone wakes what makes it', () => {
  const parameter = { value: 0, setValueAtTime: () => {}, exponentialRampToValueAtTime: () => {} };
  const node = {
    connect: () => node,
    gain: parameter,
    frequency: parameter,
    start: () => {},
    stop: () => {},
  };
  let n = 0;
  class FakeContext {
    state = 'suspended';
    currentTime = 0;
    createOscillator = () => node;
    createGain = () => node;
    async resume(): Promise<void> {
      n += 1;
      this.state = 'running';
    }
  }
  vi.stubGlobal('AudioContext', FakeContext);
  tone(880);
  tone(880);
  expect(n).toBe(1);
  vi.unstubAllGlobals();
});
