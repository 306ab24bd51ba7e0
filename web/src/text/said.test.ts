import { expect, test } from 'vitest';
import examples from '../../../crates/phrases/data/examples.json';
import { language } from './index';
import { learn, said, valueSaid } from './said';

test('phrases are looked up as the report does', async () => {
  language.value = 'es';
  await learn('es');
  for (const [english, spanish] of examples.es as [string, string | null][])
    expect(said(english), english).toBe(spanish ?? english);
});

test('what is told of a survey, a recording and a lost connection is in the language of the reader', async () => {
  language.value = 'es';
  await learn('es');
  const told = [
    'reading module 7E8 (1 of 4)',
    'reading addresses 700 to 70F',
    'reading all modules at once',
    'the adapter is back',
    'engine.speed no longer comes (broadcast 1A0): it is asked for from now on, 7E8 01 0C',
    'the workbench does not answer',
    'check that the program runs and the network is there',
  ];
  for (const text of told) expect(said(text), text).not.toBe(text);
});

test('English stays as it is', async () => {
  language.value = 'en';
  await learn('en');
  expect(said('no fault here')).toBe('no fault here');
});

test('values of a survey are words, numbers and lists of them', async () => {
  language.value = 'en';
  const values = [12.5, 0.1 + 0.2, true, false, 'closed loop', ['a', 3], null];
  expect(values.map(valueSaid)).toEqual(['12.5', '0.3', 'on', 'off', 'closed loop', 'a; 3', '–']);
  language.value = 'es';
  await learn('es');
  expect(valueSaid(true)).toBe('conectado');
  expect(valueSaid(12.5)).toBe('12,5');
});
