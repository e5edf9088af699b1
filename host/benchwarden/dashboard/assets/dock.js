/* The always visible relay control and the shouting, apart from the page's
   components and callbacks: they must work when those are stuck. Everything
   shown is set as text, never as markup. */
(function () {
  "use strict";
  var PULSE_MS = 200; // with the server's own threshold: shouted within one second
  var GONE_MS = 900; // no answer from the page's own program for this long
  var HELD_MS = 3000; // being held up excuses no longer silence than this
  var STUCK_MS = 2500; // components not refreshed for this long
  var ANSWER_MS = 1500; // contact must read open this long after asking

  var form = document.getElementById("open-form");
  var shout = document.getElementById("shout");
  var what = document.getElementById("dock-said");
  var more = document.getElementById("dock-more");
  var said = document.getElementById("open-said");

  var pageName = document.title;
  var last = null; // last pulse
  var lastAt = performance.now();
  var beat = "";
  var beatAt = performance.now();
  var askedAt = null;
  var spoken = "";
  var shownAt = performance.now();
  var heldUpUntil = 0;

  function say(text, kind) {
    said.textContent = text;
    form.dataset.asked = kind || "";
  }

  function ask() {
    askedAt = performance.now();
    say("Asking …", "asked");
    fetch("/open", {
      method: "POST",
      body: new URLSearchParams(new FormData(form)),
      headers: { Accept: "application/json" },
      signal: AbortSignal.timeout(3000),
    })
      .then(function (answer) {
        if (!answer.ok) { throw new Error(String(answer.status)); }
        if (askedAt !== null) { say("Asked to open. Waiting for the contact.", "asked"); }
        pulse();
      })
      .catch(function () {
        askedAt = null;
        say("NOT SENT. Use the emergency stop on the bench.", "failed");
      });
  }

  form.addEventListener("submit", function (event) {
    event.preventDefault();
    ask();
  });

  document.addEventListener("keydown", function (event) {
    if (event.repeat || event.ctrlKey || event.altKey || event.metaKey) { return; }
    var target = event.target;
    if (target && (target.isContentEditable || /^(INPUT|TEXTAREA|SELECT)$/.test(target.tagName))) { return; }
    if (event.key === "o" || event.key === "O" || event.code === "KeyO") {
      event.preventDefault();
      ask();
    }
  }, true);

  function follow() {
    if (askedAt === null || last === null) { return; }
    var waited = performance.now() - askedAt;
    if (last.contact === false && !last.stale && waited > 100) {
      askedAt = null;
      say("Contact reads OPEN.", "done");
    } else if (waited > ANSWER_MS) {
      say(last.contact === true && !last.stale
        ? "CONTACT STILL READS CLOSED. Use the emergency stop, pull the plug."
        : "Asked, but nothing confirms it. Use the emergency stop.", "failed");
    }
  }

  function line(kind, strong, rest) {
    var row = document.createElement("p");
    row.className = "alarm alarm-" + kind;
    var head = document.createElement("strong");
    head.textContent = strong;
    row.appendChild(head);
    row.appendChild(document.createTextNode(" " + rest));
    return row;
  }

  function show() {
    var now = performance.now();
    var goneMs = now - lastAt;
    // A page that was itself held up (drawing its first plots) has answers
    // waiting that it has not read yet; it may read them before it shouts.
    if (now - shownAt > 3 * PULSE_MS) { heldUpUntil = now + 2 * PULSE_MS; }
    shownAt = now;
    var found = document.getElementById("beat");
    if (found && found.textContent !== beat) { beat = found.textContent; beatAt = now; }
    var alarms = last ? last.alarms.slice() : [];
    if (goneMs > GONE_MS && (now >= heldUpUntil || goneMs > HELD_MS)) {
      // The pulse is gone, so what it last said is no news any more.
      alarms = [{ kind: "stale",
        text: "LAST DATA " + Math.round((goneMs / 1000) + ((last && last.data_age_s) || 0)) + " s AGO.",
        act: "This page has lost its own program. The bench guards itself; use the emergency stop." }];
      form.dataset.kind = "unknown";
      what.textContent = "not known any more";
      more.textContent = "";
    } else if (last) {
      form.dataset.kind = last.kind;
      what.textContent = last.relay;
      more.textContent = last.waiting ? "" : last.limiter +
        (last.ended ? " · run ended" : last.stale ? "" : " · data live");
      if (found && now - beatAt > STUCK_MS && !document.hidden && !last.waiting) {
        alarms.push({ kind: "stuck", text: "THE READINGS ON THIS PAGE ARE STUCK.",
          act: "The relay line and the control at the bottom still work. Reload the page." });
      }
    }
    var text = JSON.stringify(alarms);
    if (text !== spoken) {
      spoken = text;
      shout.replaceChildren.apply(shout, alarms.map(function (a) { return line(a.kind, a.text, a.act); }));
      shout.hidden = alarms.length === 0;
      /* Of a run that is over it need not stay in the way of reading. */
      shout.classList.toggle("over", !!(last && last.ended));
      document.body.dataset.alarm = alarms.length ? alarms[0].kind : "";
    }
    document.title = (alarms.length ? "! " + alarms[0].text : last && !last.waiting ? last.phase : pageName) + " – Benchwarden";
    follow();
  }

  var runOnView = null;

  /* Who is looking, and at which run: on a newer run everything drawn is of the old one. */
  function place(found) {
    document.body.dataset.viewer = found.viewer ? "yes" : "no";
    document.getElementById("viewing").hidden = !found.viewer;
    if (runOnView !== null && found.run !== runOnView && location.pathname === "/") { location.reload(); }
    runOnView = found.run;
  }

  function pulse() {
    return fetch("/pulse", { cache: "no-store", signal: AbortSignal.timeout(800) })
      .then(function (answer) { return answer.ok ? answer.json() : Promise.reject(new Error("answer")); })
      .then(function (found) { last = found; lastAt = performance.now(); place(found); show(); })
      .catch(function () { show(); });
  }

  function loop() {
    pulse().finally(function () { setTimeout(loop, PULSE_MS); });
  }

  loop();
  setInterval(show, PULSE_MS);
})();
