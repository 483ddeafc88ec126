"use strict";
// Set before anything is drawn, so that the page doesn't flash.
document.documentElement.dataset.theme = new URLSearchParams(location.search).get("theme") ?? localStorage.getItem("fairbore.theme") ?? "";
