/* A session that has ended: the page goes to the login, and comes back to where it was. */
(function () {
  const ask = window.fetch;
  window.fetch = function (...asked) {
    return ask.apply(this, asked).then((answer) => {
      if (answer.status === 401 && new URL(answer.url).origin === location.origin) {
        location.assign("/login?next=" + encodeURIComponent(location.pathname + location.search));
        return new Promise(() => {}); // the page is left: nobody waits for this answer any more
      }
      return answer;
    });
  };
})();
