/** A plot on the page: what it shows, drawn once per frame at most, and moved by fingers, wheel and keys. */

import { effect, signal } from '@preact/signals';
import { useEffect, useRef } from 'preact/hooks';
import { scale, theme } from '../app/theme';
import { gestures } from './gestures';
import { type Band, Plot, type Scene, type Trace } from './plot';
import type { Range } from './scale';
import { clamp } from './view';

export class Board {
  traces: Trace[] = [];
  bands: Band[] = [];
  marks: Scene['marks'] = [];
  layout: Scene['layout'] = 'stacked';
  whole: Range = { from: 0, to: 1 };
  /** What is looked at; parts of the page may follow it. */
  readonly view = signal<Range>({ from: 0, to: 1 });
  readonly cursors = signal<[number | null, number | null]>([null, null]);
  /** Called after somebody looked elsewhere by hand. */
  moved: () => void = () => {};
  private plot: Plot | null = null;
  private frame = 0;
  /** Called after every drawing, for whoever measures. */
  drawn: (() => void) | null = null;

  look(view: Range): void {
    this.view.value = clamp(view, this.whole);
    this.dirty();
  }

  /** Draws with the next frame. */
  dirty(): void {
    if (!this.frame && this.plot) this.frame = requestAnimationFrame(() => this.draw());
  }

  /** Looks elsewhere and draws at once: for whoever is called by the frame already. */
  show(view: Range): void {
    this.view.value = view;
    this.draw();
  }

  private draw(): void {
    cancelAnimationFrame(this.frame);
    this.frame = 0;
    if (!this.plot) return;
    this.plot.draw({
      view: this.view.value,
      traces: this.traces,
      layout: this.layout,
      bands: this.bands,
      marks: this.marks,
      cursors: this.cursors.value,
    });
    this.drawn?.();
  }

  /** Width of the drawn time, px. */
  get width(): number {
    return this.plot?.span ?? 800;
  }

  attach(canvas: HTMLCanvasElement): () => void {
    const plot = new Plot(canvas);
    this.plot = plot;
    Object.assign(canvas, { board: this });
    const size = new ResizeObserver(() => this.dirty());
    size.observe(canvas);
    const end = gestures(canvas, {
      view: () => this.view.value,
      whole: () => this.whole,
      timeAt: (x) => plot.timeAt(x, this.view.value),
      shareAt: (x) => plot.timeAt(x, { from: 0, to: 1 }),
      look: (view) => {
        this.look(view);
        this.moved();
      },
      point: (t, second) => {
        const [a, b] = this.cursors.value;
        this.cursors.value = second ? [a, t] : [t, b];
      },
      tap: (t) => {
        const [a, b] = this.cursors.value;
        this.cursors.value = a !== null && b === null ? [a, t] : [t, null];
      },
    });
    const stop = effect(() => {
      // Whatever changes how the plot looks.
      void [theme.value, scale.value, this.cursors.value, this.view.value];
      this.dirty();
    });
    // The letters on the canvas arrive after the first drawing.
    void document.fonts?.ready.then(() => this.dirty());
    return () => {
      stop();
      end();
      size.disconnect();
      this.plot = null;
    };
  }
}

export function BoardView({ board, label }: { board: Board; label: string }) {
  const canvas = useRef<HTMLCanvasElement>(null);
  useEffect(() => board.attach(canvas.current!), [board]);
  return <canvas ref={canvas} class="board" tabIndex={0} role="img" aria-label={label} />;
}
