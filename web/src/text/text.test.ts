import { expect, test } from 'vitest';
import en from './en.json';
import es from './es.json';
import { clock, count, language, t, word } from './index';

test('every language has the same texts with the same places for values', () => {
  const places = (text: string) => [...text.matchAll(/\{\w+\}/g)].map((found) => found[0]).sort();
  for (const key of Object.keys(en) as (keyof typeof en)[]) {
    expect(es[key], key).toBeTruthy();
    expect(places(es[key]), key).toEqual(places(en[key]));
  }
  expect(Object.keys(es).sort()).toEqual(Object.keys(en).sort());
});

test('moments of a drive', () => {
  expect(clock(0)).toBe('0:00.0');
  expect(clock(247.34)).toBe('4:07.3');
  expect(clock(59.96)).toBe('1:00.0');
  expect(clock(3847, 0)).toBe('1:04:07');
  expect(clock(-1.5, 3)).toBe('−0:01.500');
  language.value = 'es';
  expect(clock(247.34)).toBe('4:07,3');
  language.value = 'en';
});

test('one and many, known and unknown words', () => {
  language.value = 'en';
  expect(count('findings_faulty', 1)).not.toBe(count('findings_faulty', 2));
  expect(word('verdict', 'faulty')).toBe(t('verdict_faulty'));
  expect(word('verdict', 'something new')).toBe('something new');
});
