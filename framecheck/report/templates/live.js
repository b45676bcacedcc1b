"use strict";
// How long ago the page was written and the last frame begun: a page that nobody writes any more must show it.
(() => {
  const times = document.querySelectorAll("time[data-ago]");
  const tell = () => {
    for (const one of times) {
      const minutes = Math.floor((Date.now() - Date.parse(one.dateTime)) / 60000);
      const hours = Math.floor(minutes / 60);
      const ago = minutes < 1 ? "just now" : hours < 1 ? `${minutes} min ago` : hours < 48 ? `${hours} h ${minutes % 60} min ago` : `${Math.floor(hours / 24)} days ago`;
      one.nextElementSibling.textContent = `(${ago})`;
    }
  };
  tell();
  setInterval(tell, 15000);
})();
