import { defineConfig } from 'vitest/config';

/** The tests in a real browser; in the mode `screenshots` the pictures instead. */
export default defineConfig(({ mode }) => ({
  test: {
    include: [mode === 'screenshots' ? 'tests/browser/screenshots.ts' : 'tests/browser/**/*.test.ts'],
    testTimeout: 60_000,
    hookTimeout: 120_000,
    fileParallelism: false,
  },
}));
