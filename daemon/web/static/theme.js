"use strict";
// Set before anything is drawn, so that the page doesn't flash.
for (const name of ["theme", "words"]) document.documentElement.dataset[name] = new URLSearchParams(location.search).get(name) ?? localStorage.getItem("fairbore." + name) ?? "";
