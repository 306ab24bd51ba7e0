/** The shop's name, address and picture, as they stand above a report. */

import { useEffect, useState } from 'preact/hooks';
import { get, send, sendFile } from '../../api/http';
import type { ShopJson } from '../../api/types';
import { tried } from '../../app/state';
import { t } from '../../text';

export function Shop() {
  const [shop, setShop] = useState<ShopJson | null>(null);
  const [isKept, setKept] = useState(false);
  // The picture's address stays; a number behind it says that it is another one.
  const [edition, setEdition] = useState(0);
  const load = async () => setShop((await tried(get<ShopJson>('/settings/shop'))) ?? null);
  useEffect(() => void load(), []);
  if (!shop) return null;
  const change = (more: Partial<ShopJson>) => {
    setKept(false);
    setShop({ ...shop, ...more });
  };
  const save = async (now: ShopJson) => {
    if (!(await tried(send('PUT', '/settings/shop', now).then(() => true)))) return;
    setKept(true);
    await load();
  };
  const picture = async (file: File | undefined) => {
    if (!file) return;
    const both = send('PUT', '/settings/shop', shop).then(() => sendFile('PUT', '/settings/shop/logo', file));
    if (!(await tried(both.then(() => true)))) return;
    setEdition(edition + 1);
    await load();
  };
  return (
    <section class="rows" aria-labelledby="shop">
      <h2 id="shop">{t('settings_shop')}</h2>
      <form
        class="rows"
        onSubmit={(event) => {
          event.preventDefault();
          void save(shop);
        }}
      >
        <label class="field">
          <span class="label">{t('shop_name')}</span>
          <input
            maxLength={200}
            value={shop.name}
            onInput={(event) => change({ name: event.currentTarget.value })}
          />
        </label>
        <label class="field">
          <span class="label">{t('shop_lines')}</span>
          <textarea
            value={shop.lines.join('\n')}
            onInput={(event) => change({ lines: event.currentTarget.value.split('\n') })}
          />
        </label>
        <div class="row">
          {shop.has_logo && (
            <img class="shop-logo" src={`/api/settings/shop/logo?${edition}`} alt={t('shop_logo')} />
          )}
          <label class="key file">
            {t('shop_logo_choose')}
            <input
              type="file"
              accept="image/png,image/jpeg"
              onChange={(event) => void picture(event.currentTarget.files?.[0])}
            />
          </label>
          {shop.has_logo && (
            <button type="button" class="key" onClick={() => void save({ ...shop, has_logo: false })}>
              {t('shop_logo_remove')}
            </button>
          )}
        </div>
        <div class="row">
          <button type="submit" class="key main">
            {t('keep_it')}
          </button>
          <span class="quiet" role="status">
            {isKept ? t('kept') : ''}
          </span>
        </div>
      </form>
    </section>
  );
}
