import { useEffect, useRef, useState } from 'preact/hooks';
import { get } from '../api/http';
import { returns, tried } from '../app/state';

/** Calls once more when a lost connection has come back. */
export function useReturn(again: () => void): void {
  const seen = useRef(returns.value);
  useEffect(() => {
    if (returns.value !== seen.current) again();
    seen.current = returns.value;
  }, [returns.value]);
}

/**
 * What the workbench answers to a question: asked anew when the question or what it depends on changes. Undefined while
 * there is no answer, or no question (null).
 */
export function useAnswer<T>(of: string | null, dependsOn?: unknown): T | undefined {
  const [got, setGot] = useState<{ of: string; answer: T } | null>(null);
  const isMissing = useRef(false);
  const [nTries, setTries] = useState(0);
  useReturn(() => isMissing.current && setTries((n) => n + 1));
  useEffect(() => {
    if (of === null) return;
    let isOver = false;
    void tried(get<T>(of)).then((answer) => {
      if (isOver) return;
      isMissing.current = answer === undefined;
      if (answer !== undefined) setGot({ of, answer });
    });
    return () => {
      isOver = true;
    };
  }, [of, dependsOn, nTries]);
  return got?.of === of ? got?.answer : undefined;
}
