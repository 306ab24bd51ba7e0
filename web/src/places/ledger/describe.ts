/** What an entry of the ledger says in two lines, which knot it hangs on, and where it leads. */

import type { Entry } from '../../api/types';
import { driveOf, fileOf, named, openCase } from '../../app/lists';
import { address, spanHash } from '../../app/router';
import { clock, count, type Key, t, word } from '../../text';
import * as book from '../../text/said';

/** A text of the program, in the language and the words of whoever reads it. */
const said = (text: string) => named(book.said(text));

export type Knot = 'ring' | 'square' | 'diamond' | 'triangle' | 'dot' | 'cross';

export interface Described {
  knot: Knot;
  title: string;
  line: string;
  link: string | null;
}

export function describe(entry: Entry): Described {
  const { content } = entry;
  const made = (knot: Knot, key: Key, line: string, link: string | null = null): Described => ({
    knot,
    title: t(key),
    line,
    link,
  });
  /** What a test showed, or which part was repaired: the names of both are for programs. */
  const words = openCase.value?.words[entry.number];
  switch (content.kind) {
    case 'opened':
      return made('dot', 'entry_opened', content.complaint);
    case 'vehicle':
      return made(
        'dot',
        'entry_vehicle',
        [content.vehicle.model, content.vehicle.vin].filter(Boolean).join(' '),
      );
    case 'survey': {
      const codes = content.survey.modules.flatMap((module) => module.codes.map((code) => code.code));
      const line = codes.length > 0 ? [...new Set(codes)].join(' ') : t('entry_no_codes');
      return made('square', 'entry_survey', line, address('survey'));
    }
    case 'drive':
      return made(
        'ring',
        'entry_drive',
        clock(content.summary.duration_s, 0),
        address('review', driveOf(content.file.path)),
      );
    case 'mark': {
      const until = content.to_s ?? content.t_s;
      const at = until > content.t_s ? `${clock(content.t_s)} – ${clock(until)}` : clock(content.t_s);
      const drive = fileOf(content.drive);
      return made(
        'dot',
        'entry_mark',
        [at, named(content.text)].filter(Boolean).join('  '),
        drive && `${address('review', driveOf(drive))}${spanHash(content.t_s, until)}`,
      );
    }
    case 'finding': {
      const faulty = content.findings.filter((finding) => finding.verdict === 'faulty').length;
      return made(
        'diamond',
        'entry_finding',
        count('findings_faulty', faulty),
        address('review', driveOf(content.file.path)),
      );
    }
    case 'swap':
      return made(
        'triangle',
        'entry_swap',
        t('entry_swapped', { part: word('part', content.part), from: content.from, to: content.to }),
        address('swap'),
      );
    case 'swap-verdict':
      return made('triangle', 'entry_swap_verdict', said(content.verdict.statement), address('swap'));
    case 'replaced':
      return made(
        'triangle',
        'entry_replaced',
        [word('part', content.part), content.at, content.text].filter(Boolean).join(' '),
        address('swap'),
      );
    case 'command':
      return made('triangle', 'entry_command', said(content.statement));
    case 'clearing':
      return made('triangle', 'entry_clearing', said(content.statement));
    case 'note':
      return made('dot', 'entry_note', content.text);
    case 'photo':
      return made('dot', 'entry_photo', content.text);
    case 'decision':
      return made('dot', 'entry_decision', content.text);
    case 'tested':
      return made(
        'dot',
        'entry_tested',
        words ? said(words) : `${content.test}: ${t(content.is_yes ? 'yes' : 'no')}`,
      );
    case 'repaired':
      return made(
        'triangle',
        'entry_repaired',
        `${said(words ?? content.suspect)}: ${t(content.helped ? 'helped' : 'did_not_help')}`,
      );
    case 'suspects':
      return made('diamond', 'entry_suspects', content.statements.map(said).join(' '));
    case 'proof':
      return made(
        'diamond',
        'entry_proof',
        [
          ...content.proof.faults.map((fault) => said(fault.statement)),
          ...(content.proof.new_faults.length > 0 ? [said(content.proof.statement)] : []),
          ...content.proof.new_faults.map((fault) => said(fault.statement)),
        ].join(' '),
      );
    case 'reference':
      return made('diamond', 'entry_reference', content.model, address('review', driveOf(content.file.path)));
    case 'earlier':
      return describe({ ...entry, content: content.content });
    case 'correction':
      return made('cross', 'entry_correction', t('entry_corrects', { n: content.of, why: content.reason }));
    case 'closed':
      return made('cross', 'entry_closed', content.outcome);
    case 'reopened':
      return made('dot', 'entry_reopened', content.reason);
    default:
      // An entry of a newer program is still an entry.
      return { knot: 'dot', title: (content as { kind: string }).kind, line: '', link: null };
  }
}
