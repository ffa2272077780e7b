"use strict";
// The link of a QR code carries the token behind #, which neither a server nor its log gets to see.
const given = decodeURIComponent(location.hash.slice(1));
if (given) {
  history.replaceState(null, "", location.pathname + location.search);
  const field = document.getElementById("token");
  field.value = given;
  field.form.requestSubmit();
}
