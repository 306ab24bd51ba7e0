import { useEffect, useState } from 'preact/hooks';
import { get } from '../api/http';
import { tried } from '../app/state';

/**
 * What the workbench answers to a question: asked anew when the question or what it depends on changes. Undefined while
 * there is no answer, or no question (null).
 */
export function useAnswer<T>(of: string | null, dependsOn?: unknown): T | undefined {
  const [got, setGot] = useState<{ of: string; answer: T } | null>(null);
  useEffect(() => {
    if (of === null) return;
    let isOver = false;
    void tried(get<T>(of)).then((answer) => {
      if (answer !== undefined && !isOver) setGot({ of, answer });
    });
    return () => {
      isOver = true;
    };
  }, [of, dependsOn]);
  return got?.of === of ? got?.answer : undefined;
}
