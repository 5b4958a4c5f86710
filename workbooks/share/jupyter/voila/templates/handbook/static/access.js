// Names for those who see no screen: a field's label names its input and its handle, a picture's finding names the picture.
(function () {
  'use strict';
  const QUIET_MS = 250;
  let count = 0;
  let waiting = null;

  function named(label) {
    if (!label.id) { count += 1; label.id = 'nw-name-' + count; }
    return label.id;
  }

  function nameFields() {
    document.querySelectorAll('.nw-field, .nw-today-inputs, .nw-chooser').forEach(function (field) {
      const labels = Array.from(field.querySelectorAll('.nw-label label'));
      field.querySelectorAll('input:not([type=radio]), select, textarea, .noUi-handle').forEach(function (control) {
        const before = labels.filter(function (label) {
          return label.compareDocumentPosition(control) & Node.DOCUMENT_POSITION_FOLLOWING;
        }).pop();
        // a slider belongs to the first field of its row
        const label = control.classList.contains('noUi-handle') ? labels[0] : before;
        if (label && control.getAttribute('aria-labelledby') !== named(label)) { control.setAttribute('aria-labelledby', named(label)); }
      });
    });
  }

  function namePictures() {
    document.querySelectorAll('.js-plotly-plot').forEach(function (plot) {
      const place = plot.closest('.nw-picture') || plot.closest('.nw-panel');
      const title = place && place.querySelector('h2');
      const under = place && place.querySelector('.nw-hint');
      const text = title ? [title, under].filter(Boolean).map(function (e) { return e.textContent.trim(); }).filter(Boolean).join('. ') : '';
      if (text && plot.getAttribute('aria-label') !== text) {
        plot.setAttribute('role', 'img');
        plot.setAttribute('aria-label', text);
      }
    });
  }

  function name() {
    waiting = null;
    nameFields();
    namePictures();
  }

  new MutationObserver(function () {
    if (waiting === null) { waiting = window.setTimeout(name, QUIET_MS); }
  }).observe(document.documentElement, { childList: true, subtree: true, characterData: true });
})();
