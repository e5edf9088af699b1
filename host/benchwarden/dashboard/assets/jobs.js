/* The jobs page in the browser: what is typed and not saved yet, lists of a few choices,
   files to send, and where the keyboard goes next. */
(function () {
  "use strict";

  var unsaved = false;
  var CHOSEN = { side: 1, role: 1 }; // what is only chosen makes no row

  function text(value) { return value === null || value === undefined ? "" : String(value); }

  /* Rows as the server counts them: blank ones left out. */
  function rowsOf(ids, values) {
    var lists = {};
    (ids || []).forEach(function (id, at) {
      var list = (lists[id.list] = lists[id.list] || {});
      (list[id.row] = list[id.row] || {})[id.key] = text(values[at]);
    });
    var out = {};
    Object.keys(lists).forEach(function (name) {
      out[name] = Object.keys(lists[name]).map(Number).sort(function (a, b) { return a - b; })
        .map(function (row) { return lists[name][row]; }).filter(isTyped);
    });
    return out;
  }

  function isTyped(row) {
    return Object.keys(row).some(function (key) { return !CHOSEN[key] && row[key].trim(); });
  }

  function sameRows(one, two) {
    one = one || [];
    two = two || [];
    return one.length === two.length && one.every(function (row, at) {
      return Object.keys(two[at]).every(function (key) { return text(row[key]) === text(two[at][key]); });
    });
  }

  window.dash_clientside = window.dash_clientside || {};
  window.dash_clientside.jobs = {
    /* held, the facts, values of rows, a note not added yet, ids of rows */
    marks: function (held) {
      if (!held) { return true; }
      var rest = Array.prototype.slice.call(arguments, 1);
      var keys = window.dash_clientside.callback_context.inputs_list.slice(1, -2).map(function (one) {
        return one.id.replace("job-", "");
      });
      var facts = rest.slice(0, keys.length), values = rest[keys.length], note = rest[keys.length + 1];
      var rows = rowsOf(rest[keys.length + 2], values);
      var differs = keys.some(function (key, at) { return text(facts[at]) !== held.facts[key]; }) ||
        Object.keys(held.rows).some(function (name) { return !sameRows(rows[name], held.rows[name]); });
      unsaved = differs || !!text(note).trim();
      return !differs;
    },
  };

  window.addEventListener("beforeunload", function (event) {
    if (unsaved && document.getElementById("job-form")) { event.preventDefault(); }
  });

  /* Saving by the usual keys, from any field. */
  document.addEventListener("keydown", function (event) {
    var save = document.getElementById("job-save");
    if (save && event.key === "s" && (event.ctrlKey || event.metaKey) && !event.altKey && !event.shiftKey) {
      event.preventDefault();
      save.click();
    }
  });

  function tell(id, words) {
    window.dash_clientside.set_props(id, { children: words });
  }

  function idOf(words) { return words.charAt(0) === "{" ? JSON.parse(words) : words; }

  document.addEventListener("change", function (event) {
    var list = event.target;
    if (list.tagName === "SELECT" && list.dataset.for) {
      window.dash_clientside.set_props(idOf(list.dataset.for), { value: list.value });
    }
  });

  function value(id) {
    var field = document.getElementById(id);
    return field ? field.value : "";
  }

  /* A file goes to the page's own address; what comes back is shown as words. */
  function send(button, address, file, said, fields, done) {
    var place = document.getElementById(file);
    // Not disabled: a button that is loses the keyboard.
    if (button.dataset.busy) { return; }
    if (!place || !place.files.length) { tell(said, "✕ Choose a file first."); return; }
    var form = new FormData();
    Object.keys(fields).forEach(function (key) { form.append(key, fields[key]); });
    form.append("file", place.files[0]);
    tell(said, "Sending " + place.files[0].name.slice(0, 80) + " …");
    button.dataset.busy = "yes";
    fetch(address, { method: "POST", body: form })
      .then(function (answer) {
        return answer.json().catch(function () { throw new Error("it answers with " + answer.status); });
      })
      .then(function (answer) {
        tell(said, answer.said);
        if (answer.ok) { place.value = ""; done(answer); }
      })
      .catch(function (error) { tell(said, "✕ Not sent: " + (error.message || "the dashboard does not answer") + "."); })
      .then(function () { delete button.dataset.busy; });
  }

  document.addEventListener("click", function (event) {
    var button = event.target.closest ? event.target.closest("#photo-add, #invoice-add") : null;
    if (!button) { return; }
    if (button.id === "photo-add") {
      var number = new URLSearchParams(window.location.search).get("job") || "";
      send(button, "/jobs/photo?job=" + encodeURIComponent(number), "photo-file", "photo-said",
           { caption: value("photo-caption"), by: value("job-by") }, function () {
             window.dash_clientside.set_props("photo-caption", { value: "" });
             window.dash_clientside.set_props("job-touched", { data: "photo " + Date.now() });
           });
    } else {
      send(button, "/jobs/invoice", "invoice-file", "invoice-said",
           { run: value("invoice-run"), page: value("invoice-page") }, function (answer) {
             window.dash_clientside.set_props("invoice-answer", { data: answer });
           });
    }
  });

  /* The components know no field for a file. */
  function files() {
    document.querySelectorAll(".jobs-file:empty").forEach(function (place) {
      var name = document.createElement("label"), field = document.createElement("input"), note = document.createElement("p");
      name.textContent = place.dataset.label;
      name.htmlFor = field.id = place.dataset.file;
      field.type = "file";
      field.accept = place.dataset.accept;
      note.textContent = place.dataset.note;
      place.append(name, field, note);
    });
  }

  /* What was chosen elsewhere (a conflict decided, another version) shows in its list, too. */
  function lists() {
    document.querySelectorAll("#jobs-body select[data-for]").forEach(function (list) {
      var field = document.getElementById(list.dataset.for);
      if (field && document.activeElement !== list && list.value !== field.value) { list.value = field.value; }
    });
  }

  function notes() {
    document.querySelectorAll("#jobs-body .fact").forEach(function (fact, at) {
      var note = fact.querySelector(":scope > p"), field = fact.querySelector("input:not([type=hidden]), textarea, select");
      if (!note || !field) { return; }
      if (!note.id) { note.id = "jobs-note-" + at + "-" + Math.random().toString(36).slice(2, 7); }
      if (field.getAttribute("aria-describedby") !== note.id) { field.setAttribute("aria-describedby", note.id); }
    });
  }

  /* Where the keyboard goes when what it was on has gone, or something new needs an answer. */
  var counts = {}, clash = false, head = "";
  function focus() {
    document.querySelectorAll(".jobs-list > div").forEach(function (list) {
      var rows = list.querySelectorAll(".jobs-row"), before = counts[list.id];
      counts[list.id] = rows.length;
      if (before === undefined || document.activeElement.closest(".jobs-list") === null && document.activeElement !== document.body) { return; }
      if (rows.length > before) {
        rows[rows.length - 1].querySelector("input:not([type=hidden]), textarea").focus();
      } else if (rows.length < before) {
        list.parentElement.querySelector(":scope > button").focus();
      }
    });
    var asked = document.getElementById("clash-head");
    if (asked && !clash) { asked.focus(); }
    if (!asked && clash && document.activeElement === document.body) { document.getElementById("job-save").focus(); }
    clash = !!asked;
    var title = document.getElementById("job-head"), name = title ? title.textContent : "";
    if (name && head === "list") { title.focus(); }
    head = title ? name : document.getElementById("jobs-new") ? "list" : "";
  }

  var due = false;
  new MutationObserver(function () {
    if (due || !document.getElementById("jobs-body")) { return; }
    due = true;
    requestAnimationFrame(function () { due = false; files(); lists(); notes(); focus(); });
  }).observe(document, { childList: true, subtree: true, attributes: true, attributeFilter: ["value"] });
})();
