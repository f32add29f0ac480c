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

  // countdowns: the end is kept, so that another page or a reload loses nothing
  function clock(left) {
    const s = Math.ceil(left / 1000);
    return s >= 60 ? Math.floor(s / 60) + ':' + String(s % 60).padStart(2, '0') : s + ' s';
  }
  function beep() {
    if (navigator.vibrate) navigator.vibrate([300, 100, 300]);
    try {
      const audio = new AudioContext(), tone = audio.createOscillator();
      tone.connect(audio.destination); tone.start(); tone.stop(audio.currentTime + 0.4);
    } catch (e) { /* no sound here */ }
  }
  const ticking = [];
  $$('.timer').forEach(box => {
    const key = 'timer:' + box.dataset.timer, full = Number(box.dataset.seconds) * 1000;
    const button = document.createElement('button');
    button.type = 'button'; button.className = 'timer'; button.dataset.timer = box.dataset.timer;
    const what = box.querySelector('.what').textContent, words = box.querySelector('b').textContent;
    const label = document.createElement('span'), value = document.createElement('b');
    label.className = 'what'; button.append(label, value); box.replaceWith(button);
    let rang = false;
    function show() {
      const end = store.get(key), left = end ? end - Date.now() : 0;
      button.classList.toggle('runs', Boolean(end) && left > 0);
      button.classList.toggle('over', Boolean(end) && left <= 0);
      label.textContent = !end ? what + ', tap to start' : left > 0 ? what : what + ' is over, tap to clear';
      value.textContent = !end ? words : left > 0 ? clock(left) : '+' + clock(-left);
      if (end && left <= 0 && left > -3000 && !rang) { rang = true; beep(); }
    }
    button.addEventListener('click', () => {
      if (store.get(key)) store.drop(key); else { store.put(key, Date.now() + full); rang = false; }
      show();
    });
    ticking.push(show); show();
  });
  if (ticking.length) setInterval(() => ticking.forEach(show => show()), 200);

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
    let wanted = false;
    const keep = () => store.put(key, { at: Date.now(), pairs: typed(form) });
    form.addEventListener('input', keep);
    form.addEventListener('change', keep);
    function send() {
      alive().then(there => {
        if (there) { wanted = false; form.submit(); return; }
        wanted = true;
        say(keep() ? 'No connection. What you typed is kept on this device and sent when the connection is back.'
          : 'No connection, and this device keeps nothing: leave this page open and tap Save again.');
      });
    }
    form.addEventListener('submit', event => {
      event.preventDefault();
      if (form.classList.contains('sending')) return;
      form.classList.add('sending');
      setTimeout(() => form.classList.remove('sending'), 1500); // a second tap is the same tap
      keep();
      send();
    });
    window.addEventListener('online', () => { if (wanted) send(); });
    setInterval(() => { if (wanted) send(); }, 5000);
  });

  // forms that keep nothing still say when there is no connection, instead of losing the page
  $$('form[method="post"]:not([data-draft])').forEach(form => {
    form.addEventListener('submit', event => {
      if (form.dataset.sure) return;
      event.preventDefault();
      const by = event.submitter;
      alive().then(there => {
        if (!there) { say('No connection. Nothing was sent; try again when it is back.'); return; }
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
    setTimeout(() => alive().then(there => { if (there) location.reload(); }), 1000 * Number(box.dataset.reload));
  });
}());
