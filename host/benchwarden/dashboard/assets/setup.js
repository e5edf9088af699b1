/* Copying to the clipboard, and the second step of sharing. */
(function () {
  "use strict";

  function select(node) {
    var range = document.createRange();
    range.selectNodeContents(node);
    var chosen = window.getSelection();
    chosen.removeAllRanges();
    chosen.addRange(range);
  }

  function tell(button, text) {
    if (!button.dataset.words) { button.dataset.words = button.textContent; }
    button.textContent = text;
    setTimeout(function () { button.textContent = button.dataset.words; }, 2500);
  }

  document.addEventListener("click", function (event) {
    var button = event.target.closest ? event.target.closest("button[data-copy]") : null;
    if (!button) { return; }
    var source = button.dataset.copy
      ? document.getElementById(button.dataset.copy)
      : button.parentElement.querySelector("code");
    if (!source) { return; }
    select(source);
    var done = navigator.clipboard ? navigator.clipboard.writeText(source.textContent) : Promise.reject(new Error());
    done.then(function () { tell(button, "Copied"); },
              function () { tell(button, "Selected: copy it by hand"); });
  });

  function focusSoon(id) {
    setTimeout(function () {
      var place = document.getElementById(id);
      if (place) { place.focus(); }
    }, 60);
  }

  window.dash_clientside = window.dash_clientside || {};
  window.dash_clientside.setup = {
    /* The second step appears at once, and the keyboard goes to it; when sharing
       begins or ends, to what there is to do next. */
    step: function (clicks, _cancel, onHidden) {
      var by = window.dash_clientside.callback_context.triggered_id;
      if (by && by.address) {
        // Buttons that have only just appeared were not pressed.
        if (!clicks.some(Boolean)) { throw window.dash_clientside.PreventUpdate; }
        focusSoon("share-step");
        return [by.address, true, false, "Yes: share at " + by.address];
      }
      focusSoon(by === "share-on" && !onHidden ? "share-on" : "share-choice");
      return [null, false, true, "Yes: share"];
    },
  };
})();
