// What every workbook page does beside its widgets: say when its kernel is gone, stop files that cannot be sent.
(function () {
  'use strict';
  const POLL_MS = 4000;
  const MAX_FILE_BYTES = 44 * 1024 * 1024; // serve/config.py MAX_TRANSPORT_BYTES; a test holds the two together
  const SENTENCES = {
    gone: 'The calculation behind this page has stopped: its numbers no longer follow the controls.',
    lost: 'The server does not answer: the numbers no longer follow the controls. Trying again.',
    broken: 'This page broke off before it was complete.'
  };
  let leaving = false;
  let failures = 0;
  let shown = '';
  let pressed = null;

  function notice(kind) {
    const box = document.getElementById('nw-notice');
    if (!box || kind === shown) { return; }
    shown = kind;
    document.body.classList.toggle('nw-gone', Boolean(kind));
    box.hidden = !kind;
    box.replaceChildren();
    if (!kind) { return; }
    const text = document.createElement('span');
    text.textContent = SENTENCES[kind];
    const button = document.createElement('button');
    button.type = 'button';
    button.textContent = 'Reload the page';
    button.addEventListener('click', function () { location.reload(); });
    box.append(text, button);
  }
  window.nwNotice = notice;

  function kernelId() {
    const config = document.getElementById('jupyter-config-data');
    return config ? JSON.parse(config.textContent).kernelId : null;
  }

  async function look() {
    const id = kernelId();
    if (!id || leaving || shown === 'gone' || shown === 'broken') { return; }
    try {
      const base = document.body.dataset.baseUrl || '/voila/';
      const answer = await fetch(base + 'alive/' + id, { cache: 'no-store' });
      const alive = answer.ok && !answer.redirected && (await answer.json()).alive;
      failures = 0;
      if (!leaving) { notice(alive ? '' : 'gone'); }
    } catch (error) {
      failures += 1;
      if (failures > 1 && !leaving) { notice('lost'); }
    }
  }

  function tooLarge(event) {
    const input = event.target;
    if (!(input instanceof HTMLInputElement) || input.type !== 'file') { return; }
    const files = Array.from(input.files || []); // they travel as one message
    const size = files.reduce(function (sum, file) { return sum + file.size; }, 0);
    document.querySelectorAll('.nw-upload-error').forEach(function (old) { old.remove(); });
    if (size <= MAX_FILE_BYTES) { return; }
    event.stopImmediatePropagation();
    event.preventDefault();
    const line = document.createElement('p');
    line.className = 'nw-field-error nw-upload-error';
    line.setAttribute('role', 'alert');
    line.textContent = (files.length > 1 ? 'These ' + files.length + ' files are together ' : files[0].name + ' is ') +
      (size / 1048576).toFixed(1) + ' MB, more than can be sent at once (' + MAX_FILE_BYTES / 1048576 + ' MB). Nothing was sent.';
    const button = pressed && pressed.isConnected ? pressed : document.querySelector('.widget-upload');
    if (button) { button.insertAdjacentElement('afterend', line); } else { document.body.prepend(line); }
    input.value = '';
  }

  // The file dialog's input is no part of the document: watch those that pages create, and which button was pressed.
  document.addEventListener('click', function (event) {
    const button = event.target instanceof Element && event.target.closest('.widget-upload');
    if (button) { pressed = button; }
  }, true);
  const create = document.createElement.bind(document);
  document.createElement = function (name, options) {
    const element = create(name, options);
    if (String(name).toLowerCase() === 'input') { element.addEventListener('change', tooLarge, true); }
    return element;
  };

  window.addEventListener('beforeunload', function () { leaving = true; });
  window.addEventListener('pageshow', function (event) {
    leaving = false;
    if (event.persisted) { location.reload(); } // Back to a page whose kernel was stopped when it was left
  });
  document.addEventListener('visibilitychange', function () { if (!document.hidden) { look(); } });
  window.setInterval(look, POLL_MS);
})();
