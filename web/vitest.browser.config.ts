import { defineConfig } from 'vitest/config';

/** What is run in a real browser, by mode. */
const files: Record<string, string> = {
  screenshots: 'tests/browser/screenshots.ts',
  bench: 'tests/bench/workbench.ts',
};

export default defineConfig(({ mode }) => ({
  test: {
    include: [files[mode] ?? 'tests/browser/**/*.test.ts'],
    testTimeout: 60_000,
    hookTimeout: 120_000,
    fileParallelism: false,
    // A car takes its time.
    expect: { poll: { timeout: 10_000 } },
  },
}));
