import { expect, test } from 'vitest';
import examples from '../../../crates/phrases/data/examples.json';
import { language } from './index';
import { learn, said } from './said';

test('phrases are looked up as the report does', async () => {
  language.value = 'es';
  await learn('es');
  for (const [english, spanish] of examples.es as [string, string | null][])
    expect(said(english), english).toBe(spanish ?? english);
});

test('English stays as it is', async () => {
  language.value = 'en';
  await learn('en');
  expect(said('no fault here')).toBe('no fault here');
});
