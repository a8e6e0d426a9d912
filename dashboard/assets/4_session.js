/* The way to the server: a session that has ended leads to the login and back; a server that does not answer is told. */
(function () {
  "use strict";
  const ask = window.fetch;
  const AGAIN_MS = 2000;
  const DOWN = [502, 503, 504];  // what a proxy says in the server's place
  const READS = /^(\.\.)?(page\.|week-summary\.|evidence|bulk\.|decision\.|landings-list\.|missing-list\.)/;  // only shown: asked again until they come
  const DECIDING = "decided.data";
  const newest = new Map();
  let away = false, ended = false, missed = false, shown = "", lost = "", another = "";  // missed: something was asked for that is not asked again

  const outputOf = (asked) => (/^\{"output":"([^"]+)"/.exec((asked[1] && asked[1].body) || "") || [])[1] || "";

  /* Whom the page was made for goes with what it asks, as somebody else may have logged in since in this browser. */
  function signed(asked) {
    const who = document.querySelector(".head .who");
    if (!who) return asked;
    const headers = new Headers(asked[1].headers);
    headers.set("X-Page-Of", encodeURIComponent(who.dataset.who));
    return [asked[0], Object.assign({}, asked[1], { headers })];
  }

  /* Says in the page's one place for it whether the server answers, and what was not saved (markup). */
  function tell() {
    if (!document.getElementById("head")) return;
    const parts = another ? [
      lost && "Not saved.", another, '<button type="button" id="try-again">Load anew</button>',
    ].filter(Boolean) : [
      lost && (away ? "Not saved: the server does not answer. " : "Not saved. ") + lost,
      lost && '<button type="button" id="read-not-saved">Close</button>',
      !lost && away && "The server does not answer.",
      !lost && away && (missed ? '<button type="button" id="try-again">Try again</button>' : "What was asked for is shown when it does."),
    ].filter(Boolean);
    const markup = parts.length ? '<p role="alert">' + parts.join(" ") + "</p>" : "";
    if (markup === shown) return;
    shown = markup;
    window.dash_clientside.set_props("alert", { markup });
  }
  function setAway(now, forGood) {
    away = now;
    missed = now && (missed || forGood);
    tell();
  }
  function unanswered(output) {
    setAway(true, Boolean(output) && output !== DECIDING && !READS.test(output));
    told(output);
  }

  const ours = (answer) => new URL(answer.url || location.href).origin === location.origin;
  function told(output) {
    window.dispatchEvent(new CustomEvent("unanswered", { detail: output }));
  }
  function loggedOut(answer, output) {
    if (answer.status !== 401 || !ours(answer)) return false;
    ended = true;
    told(output);  // what was not saved is named after the login
    location.assign("/login?next=" + encodeURIComponent(location.pathname + location.search));
    return true;
  }

  /* The page is another's: it stays as it is, until it is loaded anew. */
  function othersNow(answer, output) {
    return answer.text().then((why) => {
      const span = document.createElement("span");
      span.textContent = why.trim();
      another = span.innerHTML;
      told(output);
      tell();
      return new Response(null, { status: 204 });
    });
  }

  /* An answer that is none: refused, or what was asked for went wrong on the server. */
  function failedThere(answer, output) {
    if (!answer.ok) told(output);
    else if (output === DECIDING && answer.status === 200) {
      answer.clone().json().then((said) => { if (!said.response || !said.response.decided) told(output); });
    }
  }

  /* A read is asked for again until it comes, unless a newer one of its kind was asked for. */
  function again(asked, output, turnOf) {
    return new Promise((done) => {
      const soon = setTimeout(next, AGAIN_MS);
      function next() {
        clearTimeout(soon);
        window.removeEventListener("online", next);
        if (newest.get(output) === turnOf) done(send(asked, output, turnOf));
      }
      window.addEventListener("online", next);
    });
  }

  function send(asked, output, turnOf) {
    const read = READS.test(output);
    const failed = () => {
      unanswered(output);
      return read ? again(asked, output, turnOf) : output === DECIDING ? new Response(null, { status: 204 }) : null;
    };
    return ask.apply(window, asked).then(
      (answer) => {
        if (DOWN.includes(answer.status)) return failed() || answer;
        if (ours(answer) && away) setAway(false);
        if (loggedOut(answer, output)) return new Promise(() => {});  // the page is left
        if (answer.status === 409 && ours(answer)) return othersNow(answer, output);
        failedThere(answer, output);
        return answer;
      },
      (error) => {
        if (error && error.name === "AbortError") throw error;
        const instead = failed();
        if (instead) return instead;
        throw error;
      },
    );
  }

  window.fetch = function (...asked) {
    const output = outputOf(asked), turnOf = {};
    if (output) newest.set(output, turnOf);
    return send(output ? signed(asked) : asked, output, turnOf);
  };
  document.addEventListener("click", (e) => {
    if (e.target.id !== "read-not-saved") return;
    window.dispatchEvent(new CustomEvent("read-not-saved"));
    lost = "";
    tell();
  });
  window.watchServer = {
    isAway: () => away,
    hasEnded: () => ended,  // the page is being left for the login
    says: () => shown !== "",
    notSaved: (markup) => { lost = markup; tell(); },
  };
})();
