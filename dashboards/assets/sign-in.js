// A sign-in link carries the key behind the #, which never leaves the phone in an address: put it
// into the form and send that.
const form = document.getElementById('sign-in');
const key = document.getElementById('key');
if (form && key && location.hash.length > 1) {
  key.value = decodeURIComponent(location.hash.slice(1));
  history.replaceState(null, '', location.pathname + location.search);
  form.requestSubmit();
}
