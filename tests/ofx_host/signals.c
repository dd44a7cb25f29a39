/* Signals: a host without any suite, which looks whether loading an effect has touched its handler of SIGINT.
 *
 * It prints the status of the load action, and 1 where the handler is the one from before.
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <signal.h>
#include <stdio.h>

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

static const void *no_suite(void *properties, const char *name, int version) {
    (void)properties, (void)name, (void)version;
    return NULL;
}

int main(int count, char **words) {
    Host host = {NULL, no_suite};
    Plugin *(*get_plugin)(int);
    struct sigaction before, after;
    void *library = count == 2 ? dlopen(words[1], RTLD_NOW | RTLD_LOCAL) : NULL;
    if (!library)
        return 2;
    *(void **)&get_plugin = dlsym(library, "OfxGetPlugin");
    Plugin *plugin = get_plugin(0);
    plugin->set_host(&host);
    sigaction(SIGINT, NULL, &before);
    int status = plugin->main_entry("OfxActionLoad", NULL, NULL, NULL);
    sigaction(SIGINT, NULL, &after);
    printf("%d %d\n", status, before.sa_handler == after.sa_handler);
    return 0;
}
