/* Signals: a host without suites of any use, which looks whether an instance that starts Python has touched its handler
 * of SIGINT or its locale.
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <locale.h>
#include <signal.h>
#include <stdio.h>
#include <string.h>

typedef struct {
    void *properties;
    const void *(*fetch_suite)(void *, const char *, int);
} Host;

typedef struct {
    const char *api;
    int api_version;
    const char *identifier;
    unsigned int major, minor;
    void (*set_host)(Host *);
    int (*main_entry)(const char *, const void *, void *, void *);
} Plugin;

static int refuse(void) { return 1; }
static void *suite[32];

static const void *any_suite(void *properties, const char *name, int version) {
    (void)properties, (void)name, (void)version;
    return suite;
}

int main(int count, char **words) {
    Host host = {NULL, any_suite};
    Plugin *(*get_plugin)(int);
    struct sigaction before, after;
    void *library = count == 2 ? dlopen(words[1], RTLD_NOW | RTLD_LOCAL) : NULL;
    if (!library)
        return 2;
    for (int i = 0; i < 32; i++)
        suite[i] = (void *)refuse;
    *(void **)&get_plugin = dlsym(library, "OfxGetPlugin");
    Plugin *plugin = get_plugin(0);
    plugin->set_host(&host);
    sigaction(SIGINT, NULL, &before);
    char locale[64];
    snprintf(locale, sizeof locale, "%s", setlocale(LC_CTYPE, NULL));
    plugin->main_entry("OfxActionLoad", NULL, NULL, NULL);
    plugin->main_entry("OfxActionCreateInstance", &host, NULL, NULL);
    sigaction(SIGINT, NULL, &after);
    printf("python=%d signals=%d locale=%d\n", dlsym(RTLD_DEFAULT, "Py_IsInitialized") != NULL,
           before.sa_handler == after.sa_handler, !strcmp(locale, setlocale(LC_CTYPE, NULL)));
    return 0;
}
