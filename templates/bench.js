// Helps where it can; without it every form and page works all the same.
(function () {
  'use strict';
  const $$ = (what, where) => [...(where || document).querySelectorAll(what)];
  const line = document.getElementById('line');
  const store = {
    get(key) { try { return JSON.parse(localStorage.getItem('bench:' + key)); } catch (e) { return null; } },
    put(key, value) { try { localStorage.setItem('bench:' + key, JSON.stringify(value)); return true; } catch (e) { return false; } },
    drop(key) { try { localStorage.removeItem('bench:' + key); } catch (e) { /* nothing was kept */ } },
  };
  function say(words, button, act) {
    line.textContent = words;
    if (button) {
      const b = document.createElement('button');
      b.type = 'button'; b.textContent = button; b.addEventListener('click', act);
      line.append(' ', b);
    }
    line.hidden = !words;
  }

  // what was stored need not be kept here any more
  if (document.body.dataset.saved) store.drop('form:' + document.body.dataset.saved);

  // countdowns: the end is kept, so that they go on on every page, are seen there, and ring until they are stopped
  function clock(left) {
    const s = Math.ceil(left / 1000);
    return s >= 60 ? Math.floor(s / 60) + ':' + String(s % 60).padStart(2, '0') : s + ' s';
  }
  let audio = null;
  function beep() {
    if (navigator.vibrate) navigator.vibrate([300, 100, 300]);
    try {
      audio = audio || new AudioContext();
      const tone = audio.createOscillator();
      tone.connect(audio.destination); tone.start(); tone.stop(audio.currentTime + 0.4);
    } catch (e) { /* no sound here */ }
  }
  let awake = null;
  function keepAwake(wanted) {
    if (!wanted && awake) { awake.release().catch(() => {}); awake = null; }
    if (wanted && !awake && navigator.wakeLock && !document.hidden) {
      awake = { release: () => Promise.resolve() }; // asked for once
      navigator.wakeLock.request('screen').then(lock => {
        awake = lock; lock.addEventListener('release', () => { awake = null; });
      }, () => { awake = null; });
    }
  }
  function started() {
    const found = [];
    try {
      for (let i = 0; i < localStorage.length; i += 1) {
        const key = localStorage.key(i);
        if (!key.startsWith('bench:timer:')) continue;
        const one = store.get(key.slice(6));
        if (one && Date.now() - one.end < 3600000) found.push({ ...one, key: key.slice(6) });
        else store.drop(key.slice(6)); // of yesterday
      }
    } catch (e) { /* nothing is kept here */ }
    return found.sort((one, other) => one.end - other.end);
  }
  const ticking = [], running = document.getElementById('running'), title = document.title;
  // a countdown of this page is in the band at the top too while its own button is out of sight
  function inSight(key) {
    return $$('button.timer').some(b => {
      const r = b.getBoundingClientRect();
      return 'timer:' + b.dataset.timer === key && r.top >= 0 && r.bottom <= innerHeight;
    });
  }
  $$('.timer').forEach(box => {
    const key = 'timer:' + box.dataset.timer, full = Number(box.dataset.seconds) * 1000;
    const button = document.createElement('button');
    button.type = 'button'; button.className = 'timer'; button.dataset.timer = box.dataset.timer;
    const what = box.querySelector('.what').textContent, words = box.querySelector('b').textContent;
    const label = document.createElement('span'), value = document.createElement('b');
    label.className = 'what'; button.append(label, value); box.replaceWith(button);
    let asked = 0;
    function show() {
      const one = store.get(key), left = one ? one.end - Date.now() : 0;
      button.classList.toggle('runs', Boolean(one) && left > 0);
      button.classList.toggle('over', Boolean(one) && left <= 0);
      label.textContent = !one ? what + ', tap to start' : left <= 0 ? what + ' is over, tap to clear'
        : Date.now() - asked < 4000 ? 'Tap again to stop it' : what;
      value.textContent = !one ? words : left > 0 ? clock(left) : '+' + clock(-left);
    }
    button.addEventListener('click', () => {
      const one = store.get(key);
      if (!one) {
        store.put(key, { end: Date.now() + full, what, page: location.pathname });
        try { audio = audio || new AudioContext(); } catch (e) { /* no sound here */ }
      } else if (one.end <= Date.now() || Date.now() - asked < 4000) { store.drop(key); asked = 0; } else asked = Date.now();
      tick();
    });
    ticking.push(show);
  });
  let rang = 0;
  function tick() {
    const all = started(), over = all.filter(one => one.end <= Date.now()), next = all.find(one => one.end > Date.now());
    ticking.forEach(show => show());
    keepAwake(all.length > 0);
    document.title = over.length ? '\u23F0 ' + over[0].what : next ? clock(next.end - Date.now()) + ' ' + next.what : title;
    if (over.length && Date.now() - rang > 2500) { rang = Date.now(); beep(); }
    const elsewhere = all.filter(one => !inSight(one.key));
    running.hidden = !elsewhere.length;
    running.replaceChildren(...elsewhere.map(one => {
      const a = document.createElement('a'), left = one.end - Date.now();
      a.href = one.page; a.className = left > 0 ? '' : 'over';
      a.textContent = one.what + (left > 0 ? ': ' + clock(left) : ' is over: +' + clock(-left));
      return a;
    }));
  }
  if (ticking.length || started().length) { tick(); setInterval(tick, 250); }
  document.addEventListener('visibilitychange', () => { if (!document.hidden) tick(); });

  // what waits to be sent: kept on this device in the order it was entered, sent once, on whichever page is open
  function waiting() { return store.get('outbox') || []; }
  // photos of it lie in the browser's own database: they are too large for the list
  function shelf(mode, act) {
    return new Promise((done, failed) => {
      const open = indexedDB.open('bench', 1);
      open.onupgradeneeded = () => open.result.createObjectStore('photos');
      open.onerror = () => failed(open.error);
      open.onsuccess = () => {
        const change = open.result.transaction('photos', mode), asked = act(change.objectStore('photos'));
        change.oncomplete = () => { open.result.close(); done(asked.result); };
        change.onabort = () => { open.result.close(); failed(change.error); };
      };
    });
  }
  function post(item, photo) {
    const stop = new AbortController(), late = setTimeout(() => stop.abort(), photo ? 120000 : 15000);
    const token = document.querySelector('input[name="token"]'); // the device may have been let in anew since
    const pairs = item.pairs.map(([name, value]) => [name, name === 'token' && token ? token.value : value]);
    let body = new URLSearchParams(pairs);
    if (photo) {
      body = new FormData();
      pairs.forEach(([name, value]) => body.append(name, value));
      body.append('photo', photo, 'photo');
    }
    return fetch(item.action, { method: 'POST', body, signal: stop.signal }).finally(() => clearTimeout(late));
  }
  const worker = document.querySelector('.who');
  let sending = false;
  function keepForLater(item, photo) {
    const list = () => {
      const others = waiting().filter(one => one.draft === '' || one.draft !== item.draft);
      return store.put('outbox', [...others, { ...item, photo: Boolean(photo) }]);
    };
    return photo ? shelf('readwrite', kept => kept.put(photo, item.id)).then(list, () => false) : Promise.resolve(list());
  }
  function tellWaiting() {
    const n = waiting().length;
    if (n) say('No connection. ' + (n === 1 ? '1 entry is' : n + ' entries are') + ' kept on this device and sent when it is back.', 'Try now', sendWaiting);
  }
  function done(item) {
    store.put('outbox', waiting().filter(one => one.id !== item.id));
    if (item.photo) shelf('readwrite', kept => kept.delete(item.id)).catch(() => {});
    sending = false;
  }
  function sendWaiting() {
    const items = waiting();
    if (sending || !items.length || !worker) return;
    const item = items[0];
    if (item.who !== worker.textContent) { // nobody's entry is stored in another one's name
      say((items.length === 1 ? '1 entry' : items.length + ' entries') + ' of ' + item.who + ' on this device: sent when ' + item.who + ' works here again.');
      return;
    }
    sending = true;
    (item.photo ? shelf('readonly', kept => kept.get(item.id)) : Promise.resolve()).then(photo => {
      if (!item.photo || photo) return post(item, photo);
      done(item);
      say('The photo of ' + item.what + ' is no longer on this device: take it again.', 'Look at it', () => location.assign(item.page));
      return null;
    }).then(answer => {
      if (!answer) return null;
      if (answer.status >= 500) throw new Error('later');
      if (item.photo && (answer.status === 401 || answer.status === 403)) { // as it is now, it may not be stored from here
        say('The photo of ' + item.what + ' is kept on this device; it was not let in. Reload this page to try again.', 'Throw it away', () => { done(item); say(''); });
        return null;
      }
      done(item);
      if (answer.ok) {
        if (item.draft) store.drop('form:' + item.draft);
        if (waiting().length) sendWaiting();
        else if (location.pathname === item.page && answer.redirected) location.assign(answer.url);
        else say('Sent: everything that was kept on this device.', 'Look', () => location.reload());
        return null;
      }
      return answer.text().then(text => { // what was typed stands on its own page; a photo is told why
        const why = new DOMParser().parseFromString(text, 'text/html').querySelector('.problem p');
        const what = item.photo ? 'A photo of ' + item.what : item.what;
        say(what + ' could not be stored as it is.' + (item.photo && why ? ' ' + why.textContent : ''), 'Look at it', () => location.assign(item.page));
      });
    }).catch(() => { sending = false; tellWaiting(); });
  }
  if (waiting().length) sendWaiting();
  window.addEventListener('online', sendWaiting);
  setInterval(sendWaiting, 5000);
  function itemOf(form, draft) {
    return { id: String(Date.now()) + Math.random(), draft, action: form.getAttribute('action'), page: location.pathname,
      who: worker ? worker.textContent : '', what: document.querySelector('h1').textContent.trim(), pairs: [...new FormData(form)].filter(([, v]) => typeof v === 'string') };
  }

  // a form that keeps what is typed until it is stored
  function alive() {
    const stop = new AbortController(), late = setTimeout(() => stop.abort(), 4000);
    return fetch('/alive', { cache: 'no-store', signal: stop.signal }).then(r => r.ok, () => false)
      .finally(() => clearTimeout(late));
  }
  function typed(form) {
    return [...new FormData(form)].filter(([name, value]) => name !== 'token' && typeof value === 'string' && value !== '');
  }
  function refill(form, pairs) {
    const given = new Map();
    pairs.forEach(([name, value]) => given.set(name, [...(given.get(name) || []), value]));
    $$('input, textarea', form).forEach(field => {
      if (field.name === 'token' || field.type === 'file') return;
      const values = given.get(field.name);
      if (field.type === 'radio') field.checked = values ? values.includes(field.value) : field.value === '';
      else if (field.type === 'checkbox') field.checked = Boolean(values && values.includes(field.value));
      else if (values) field.value = values[0];
      else if (field.type !== 'hidden') field.value = '';
    });
    $$('details', form).forEach(d => {
      if (d.querySelector('input:checked:not([value=""]):not([name="person"])')
        || $$('input[type="text"], textarea', d).some(f => f.value)) d.open = true;
    });
  }
  $$('form[data-draft]').forEach(form => {
    const key = 'form:' + form.dataset.draft, kept = store.get(key), fresh = typed(form);
    const same = pairs => JSON.stringify(pairs.filter(([n]) => n !== 'mark'));
    if (kept && !form.dataset.typed && same(kept.pairs) !== same(fresh)) {
      refill(form, kept.pairs);
      const at = new Date(kept.at).toTimeString().slice(0, 5);
      say('Not stored yet: what was typed at ' + at + ' is filled in again.', 'Throw it away', () => {
        store.drop(key); refill(form, fresh); say('');
      });
    }
    const keep = () => store.put(key, { at: Date.now(), pairs: typed(form) });
    form.addEventListener('input', keep);
    form.addEventListener('change', keep);
    form.addEventListener('submit', event => {
      event.preventDefault();
      if (form.classList.contains('sending')) return;
      form.classList.add('sending');
      setTimeout(() => form.classList.remove('sending'), 1500); // a second tap is the same tap
      keep();
      alive().then(there => {
        if (there) { form.submit(); return; }
        return keepForLater(itemOf(form, form.dataset.draft)).then(kept => {
          if (kept) tellWaiting();
          else say('No connection, and this device keeps nothing: leave this page open and tap Save again.');
        });
      });
    });
  });

  // steps at the machines and photos wait for the connection too; other forms say that there is none, and the page stays
  let cutShort = 0;
  $$('form[method="post"]:not([data-draft])').forEach(form => {
    form.addEventListener('submit', event => {
      if (form.dataset.sure) return;
      event.preventDefault();
      if (form.classList.contains('sending')) return;
      const by = event.submitter, card = form.closest('.card'), left = card && card.querySelector('.timer.runs b');
      if (left && Date.now() - cutShort > 6000) {
        cutShort = Date.now();
        say('The countdown still runs: ' + left.textContent + ' left. Tap the button again if it is done all the same.');
        return;
      }
      form.classList.add('sending');
      alive().then(there => {
        form.classList.remove('sending');
        const action = form.getAttribute('action');
        if (!there && (action.startsWith('/step/') || form.dataset.photo)) {
          const photo = form.dataset.photo && form.elements.photo.files[0];
          keepForLater(itemOf(form, ''), photo).then(kept => {
            if (!kept) { say('No connection, and this device keeps nothing: try again when it is back.'); return; }
            if (photo) form.reset(); else by.disabled = true;
            tellWaiting();
          });
          return;
        }
        if (!there) { say('No connection. Nothing was sent; try again when it is back.'); return; }
        if (card) $$('.timer', card).forEach(t => store.drop('timer:' + t.dataset.timer));
        if (['/leave', '/name', '/sign-out'].includes(action) && window.caches) caches.delete('bench-pages');
        form.dataset.sure = '1';
        setTimeout(() => delete form.dataset.sure, 1500);
        form.requestSubmit(by && by.form === form ? by : undefined);
      });
    });
  });

  // another device made what is shown here as next: show what is next now
  $$('[data-news]').forEach(box => {
    setInterval(() => {
      if (document.hidden || document.querySelector('form[data-sure]')) return;
      fetch(box.dataset.news, { cache: 'no-store' }).then(r => (r.ok && !r.redirected ? r.text() : null), () => null)
        .then(text => { if (text && text !== box.dataset.version) location.replace(location.pathname); });
    }, 5000);
  });

  // a page that waits for something looks again
  $$('[data-reload]').forEach(box => {
    const pause = 1000 * Number(box.dataset.reload);
    const look = () => alive().then(there => {
      if (!there) setTimeout(look, pause);
      else if (box.dataset.there) location.replace(box.dataset.there);
      else location.reload();
    });
    setTimeout(look, pause);
  });

  // a part of a page that is still worked out comes in by itself; what is typed elsewhere on the page stays
  $$('[data-fill]').forEach(box => {
    const look = () => fetch(box.dataset.fill, { cache: 'no-store' }).then(r => (r.ok ? r.text() : ''), () => '').then(text => {
      const there = new DOMParser().parseFromString(text, 'text/html').getElementById(box.id);
      if (there && there.dataset.fill) setTimeout(look, 700);
      else if (there) box.replaceWith(there);
    });
    setTimeout(look, 500);
  });

  // pages looked at are kept on the device for when the connection is gone, where the browser allows it
  if (navigator.serviceWorker) navigator.serviceWorker.register('/static/offline.js', { scope: '/' }).then(() => {
    if (navigator.serviceWorker.controller) $$('.id a, .tags a').slice(0, 8).forEach(a => fetch(a.href).catch(() => {}));
  }, () => {});
}());
