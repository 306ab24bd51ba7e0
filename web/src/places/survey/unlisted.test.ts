import { expect, test } from 'vitest';
import type { Code } from '../../api/types';
import { unlisted } from './unlisted';

test('a freeze frame is shown whether or not its code was told', () => {
  const frame = (code: string) => ({ frame: 0, code, values: [] });
  const codes = [{ code: 'P0301' } as Code];
  expect(unlisted({ codes, freeze_frames: [frame('P0301'), frame('P0171')] })).toEqual([frame('P0171')]);
  expect(unlisted({ codes: [], freeze_frames: [frame('P0301')] })).toHaveLength(1);
});
