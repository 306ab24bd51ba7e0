/** Asking the workbench, and what it answers when something cannot be done. */

import { read } from './read';
import type { FailureJson } from './types';

/** Something could not be done: what happened, and what to try. */
export class Failed extends Error {
  readonly status: number;
  readonly hints: string[];

  constructor(status: number, message: string, hints: string[]) {
    super(message);
    this.status = status;
    this.hints = hints;
  }
}

async function ask(
  method: string,
  path: string,
  body?: BodyInit,
  type?: string,
  signal?: AbortSignal,
): Promise<Response> {
  let answer: Response;
  try {
    const headers: HeadersInit = type ? { 'content-type': type } : {};
    answer = await fetch(`/api${path}`, { method, body, headers, signal });
  } catch (error) {
    // Whoever asked does not want to know any more.
    if (signal?.aborted) throw error;
    throw new Failed(0, 'the workbench does not answer', [
      'check that the program runs and the network is there',
    ]);
  }
  if (answer.ok) return answer;
  throw await failed(answer);
}

/** What the workbench says of an answer that is none. */
async function failed(answer: Response): Promise<Failed> {
  let said: FailureJson | null = null;
  try {
    said = read(await answer.text());
  } catch {
    // Not from the workbench: the number of the answer is all there is.
  }
  return new Failed(
    answer.status,
    said?.message ?? `${answer.status} ${answer.statusText}`,
    said?.hints ?? [],
  );
}

export async function get<T>(path: string): Promise<T> {
  return read(await (await ask('GET', path)).text());
}

export async function getBytes(path: string, signal?: AbortSignal): Promise<ArrayBuffer> {
  return (await ask('GET', path, undefined, undefined, signal)).arrayBuffer();
}

/** Sends `body` as JSON; an answer without content is `null`. */
export async function send<T = null>(
  method: 'POST' | 'PUT' | 'DELETE',
  path: string,
  body?: unknown,
): Promise<T> {
  const answer = await ask(
    method,
    path,
    body === undefined ? undefined : JSON.stringify(body),
    'application/json',
  );
  const text = await answer.text();
  return (text ? read(text) : null) as T;
}

/** Sends a file as it is. */
export async function sendFile<T>(method: 'POST' | 'PUT', path: string, file: Blob): Promise<T | null> {
  const text = await (await ask(method, path, file, 'application/octet-stream')).text();
  return text ? read(text) : null;
}
