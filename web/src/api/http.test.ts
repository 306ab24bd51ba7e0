import { afterEach, expect, test, vi } from 'vitest';
import { Failed, getBytes } from './http';

afterEach(() => vi.unstubAllGlobals());

test('samples that cannot be asked for are told as everything else is; those that nobody wants any more are not', async () => {
  vi.stubGlobal('fetch', () => Promise.reject(new TypeError('Failed to fetch')));
  await expect(getBytes('/drives/a/trace')).rejects.toMatchObject({
    status: 0,
    message: 'the workbench does not answer',
  });
  const given = new AbortController();
  given.abort();
  const other = getBytes('/drives/a/trace', given.signal);
  await expect(other).rejects.not.toBeInstanceOf(Failed);
});
