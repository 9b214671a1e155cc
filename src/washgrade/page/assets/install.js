// On a page that lies on a host as an installable folder: keep it on the phone.
if (land.installable && 'serviceWorker' in navigator) {
  navigator.serviceWorker.register('worker.js').then(() => navigator.serviceWorker.ready).then(() => {
    document.documentElement.dataset.kept = 'yes';
  }).catch(() => {
    document.getElementById('offline').textContent = 'This copy could not be kept on the phone: the host must be https.';
  });
}
